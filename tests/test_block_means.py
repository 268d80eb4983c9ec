"""Pictures read piece by piece agree with the same pictures read whole."""

from __future__ import annotations

import dataclasses
import importlib.util
from pathlib import Path

import cv2
import numpy as np
import pytest
import tifffile

from edgeqc.imaging.block_means import (
    array_parts,
    block_means,
    blocks_to_pixels,
    reduction_for,
    tiff_parts,
)
from edgeqc.imaging.calibration import ImagingSettings, read_images
from edgeqc.imaging.reading import ReadingLimits
from edgeqc.measure.thickness import local_thickness

_SPEC = importlib.util.spec_from_file_location(
    "face_scenes", Path(__file__).with_name("face_scenes.py"))
assert _SPEC is not None
assert _SPEC.loader is not None
scenes = importlib.util.module_from_spec(_SPEC)
_SPEC.loader.exec_module(scenes)


def plain_means(array, side):
    """Means of blocks the obvious way, in double precision."""
    rows, cols = array.shape[0] // side, array.shape[1] // side
    cut = array[: rows * side, : cols * side].astype(float)
    return cut.reshape(rows, side, cols, side, *array.shape[2:]).mean(axis=(1, 3))


@pytest.mark.parametrize("options", [
    {}, {"rowsperstrip": 7}, {"tile": (32, 48)}, {"tile": (32, 48), "compression": "zlib"},
    {"rowsperstrip": 5, "compression": "zlib"}, {"compression": "zlib"},
    {"tile": (16, 16), "bigtiff": True}, {"byteorder": ">"}, {"rowsperstrip": 3, "byteorder": ">"},
])
@pytest.mark.parametrize("dtype", [np.uint8, np.uint16, np.float32])
@pytest.mark.parametrize("side", [2, 3, 7])
def test_every_layout_of_a_tiff_gives_the_same_means(tmp_path, options, dtype, side):
    rng = np.random.default_rng(3)
    array = rng.integers(0, 256, (101, 143)).astype(dtype)
    tifffile.imwrite(tmp_path / "a.tif", array, **options)
    with tifffile.TiffFile(tmp_path / "a.tif") as tiff:
        means = block_means(tiff_parts(tiff.pages[0]), array.shape, side)
    scale = 1 if dtype == np.float32 else np.iinfo(dtype).max
    np.testing.assert_allclose(means, plain_means(array, side) / scale, rtol=2e-6, atol=1e-7)


def test_colours_signed_numbers_and_pixels_without_a_number():
    rng = np.random.default_rng(4)
    colour = rng.integers(0, 256, (40, 50, 3), dtype=np.uint8)
    means = block_means(array_parts(colour), colour.shape, 4)
    np.testing.assert_allclose(means, plain_means(colour, 4) / 255, rtol=2e-6)
    signed = rng.integers(-300, 300, (40, 50), dtype=np.int16)
    np.testing.assert_allclose(block_means(array_parts(signed), signed.shape, 4),
                               (plain_means(signed, 4) + 32768) / 65535, rtol=2e-6)
    positive = np.abs(signed)
    np.testing.assert_allclose(block_means(array_parts(positive), positive.shape, 4),
                               plain_means(positive, 4) / 32767, rtol=2e-6)
    holes = rng.random((8, 8)).astype(np.float32)
    holes[0, 0], holes[4:, 4:] = np.inf, np.nan
    means = block_means(array_parts(holes), holes.shape, 4)
    assert means[0, 0] == pytest.approx(holes[:4, :4].ravel()[1:].mean())
    assert np.isnan(means[1, 1])
    assert means[0, 1] == pytest.approx(holes[:4, 4:].mean())


def test_palettes_are_looked_up_before_the_mean(tmp_path):
    table = np.zeros((3, 256), np.uint16)
    table[:] = np.random.default_rng(5).permutation(65536)[:256]
    index = np.random.default_rng(6).integers(0, 256, (20, 30), dtype=np.uint8)
    tifffile.imwrite(tmp_path / "p.tif", index, photometric="palette", colormap=table,
                     compression="zlib", rowsperstrip=6)
    with tifffile.TiffFile(tmp_path / "p.tif") as tiff:
        means = block_means(tiff_parts(tiff.pages[0]), index.shape, 5)
    np.testing.assert_allclose(means, plain_means(table[0][index], 5) / 65535, rtol=2e-6)


@pytest.mark.parametrize(("rows", "cols", "limit"), [
    (1, 1, 10), (4, 3, 12), (4, 3, 11), (15_000, 20_000, 48_000_000), (9_999, 10_001, 1000),
])
def test_reduction_is_the_least_that_fits(rows, cols, limit):
    side = reduction_for(rows, cols, limit)
    assert (rows // side) * (cols // side) <= limit
    assert side == 1 or (rows // (side - 1)) * (cols // (side - 1)) > limit


def test_a_picture_of_a_few_rows_keeps_some():
    assert reduction_for(3, 10**6, 1000) == 3


def test_labels_of_blocks_go_back_onto_the_pixels():
    labels = np.array([[1, 2], [3, 4]], np.uint8)
    full = blocks_to_pixels(labels, 3, (7, 8))
    assert full.shape == (7, 8)
    assert (full[:3, :3] == 1).all()
    assert (full[3:6, 3:6] == 4).all()
    assert not full[6].any()
    assert not full[:, 6:].any()
    assert blocks_to_pixels(labels, 1, (2, 2)) is labels


def test_a_reduced_picture_keeps_its_scale_and_says_so(tmp_path):
    rng = np.random.default_rng(8)
    array = (rng.random((400, 601)) * 200 + 20).astype(np.uint8)
    tifffile.imwrite(tmp_path / "m.tif", array, tile=(64, 64), compression="zlib")
    row = {"pixel_size_um": 0.1}
    whole, = read_images(tmp_path / "m.tif", row)
    settings = ImagingSettings(reading=ReadingLimits(max_whole_pixels=30_000))
    small, = read_images(tmp_path / "m.tif", row, settings)
    assert small.reduction == 3
    assert (small.pixels.shape, small.shape_in_file) == ((133, 200), (400, 601))
    np.testing.assert_allclose(small.pixels, plain_means(whole.pixels, 3), rtol=1e-5)
    assert small.pixel_size_um == pytest.approx((0.3, 0.3))
    assert "picture_reduced" in [flag.name for flag in small.flags]
    assert (whole.reduction, whole.shape_in_file) == (1, (400, 601))
    assert small.in_file_px(0.0) == 1.0  # the middle of the first block's three pixels
    png = tmp_path / "m.png"
    cv2.imwrite(str(png), array)
    again, = read_images(png, row, settings)
    np.testing.assert_array_equal(again.pixels, small.pixels)


def test_lengths_of_a_reduced_picture_without_a_scale_count_the_files_pixels():
    image = dataclasses.replace(scenes.plain_image(np.zeros((200, 300)), pixel_um=None),
                                reduction=3)
    profile = local_thickness(image, scenes.plain_face(200, 300))
    assert profile.unit == "px"
    np.testing.assert_allclose(profile.value, 3 * 160)
    assert profile.s_um[-1] == pytest.approx(3 * 258)
    whole = local_thickness(dataclasses.replace(image, reduction=1), scenes.plain_face(200, 300))
    np.testing.assert_allclose(profile.u, 3 * whole.u)
