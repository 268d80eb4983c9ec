"""Reading pictures: pixel types, pages, and files that are no pictures."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest
import tifffile

from edgeqc.errors import ImageError
from edgeqc.imaging.image import read_images
from edgeqc.imaging.reading import ReadingLimits, read_pages


@pytest.fixture(scope="module")
def picture() -> np.ndarray:
    """8-bit picture with structure: a bright plate with grain on a darker, noisy ground."""
    rng = np.random.default_rng(11)
    scene = np.full((200, 260), 70.0)
    scene[50:150, 30:230] = 150
    scene += cv2.GaussianBlur(rng.normal(0, 60, scene.shape), (0, 0), 1.5)
    return np.clip(scene + rng.normal(0, 3, scene.shape), 0, 255).astype(np.uint8)


def test_eight_bit_grey_keeps_every_level(tmp_path: Path, picture: np.ndarray) -> None:
    tifffile.imwrite(tmp_path / "a.tif", picture)
    (page,) = read_pages(tmp_path / "a.tif")
    assert page.pixels.dtype == np.float32
    np.testing.assert_array_equal(np.rint(page.pixels * 255), picture)
    assert page.finite.all()
    assert len(page.sha256) == 64


def test_sixteen_bits_are_not_cut_to_eight(tmp_path: Path) -> None:
    ramp = np.arange(65536, dtype=np.uint16).reshape(256, 256)
    tifffile.imwrite(tmp_path / "a.tif", ramp)
    cv2.imwrite(str(tmp_path / "a.png"), ramp)
    for name in ("a.tif", "a.png"):
        (page,) = read_pages(tmp_path / name)
        assert np.unique(page.pixels).size == 65536
        np.testing.assert_allclose(page.pixels * 65535, ramp, atol=0.01)


@pytest.mark.parametrize("options", [
    {"compression": None}, {"compression": "zlib"}, {"compression": "zlib", "predictor": True},
    {"tile": (64, 64)}, {"rowsperstrip": 7}, {"bigtiff": True},
    {"byteorder": ">"}, {"photometric": "miniswhite"},
], ids=str)
def test_every_way_to_store_a_tiff_reads_the_same(
    tmp_path: Path, picture: np.ndarray, options: dict[str, object]
) -> None:
    stored = 255 - picture if options.get("photometric") == "miniswhite" else picture
    tifffile.imwrite(tmp_path / "a.tif", stored, **options)
    (page,) = read_pages(tmp_path / "a.tif")
    np.testing.assert_array_equal(np.rint(page.pixels * 255), picture)


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
@pytest.mark.parametrize("compression", [5, 8, 32773])  # LZW, deflate, PackBits
def test_compressed_tiffs_are_read_without_a_codec_package(
    tmp_path: Path, picture: np.ndarray, dtype: type, compression: int
) -> None:
    stored = (picture.astype(int) * np.iinfo(dtype).max // 255).astype(dtype)
    cv2.imwritemulti(str(tmp_path / "a.tif"), [stored, stored[::-1]],
                     [cv2.IMWRITE_TIFF_COMPRESSION, compression])
    with tifffile.TiffFile(tmp_path / "a.tif") as written:
        assert written.pages[0].compression == compression
    first, second = read_pages(tmp_path / "a.tif")
    np.testing.assert_array_equal(np.rint(first.pixels * 255), picture)
    np.testing.assert_array_equal(np.rint(second.pixels * 255), picture[::-1])


def test_palette_rgb_and_rgba_that_are_grey_give_the_grey_levels(
    tmp_path: Path, picture: np.ndarray
) -> None:
    ramp = np.repeat(np.arange(256, dtype=np.uint16)[None] * 257, 3, axis=0)
    tifffile.imwrite(tmp_path / "palette.tif", picture, photometric="palette", colormap=ramp)
    rgb = np.repeat(picture[..., None], 3, axis=2)
    tifffile.imwrite(tmp_path / "rgb.tif", rgb)
    tifffile.imwrite(tmp_path / "planar.tif", np.moveaxis(rgb, -1, 0), photometric="rgb",
                     planarconfig="separate")
    rgba = np.concatenate([rgb, np.full_like(rgb[..., :1], 200)], axis=2)
    cv2.imwrite(str(tmp_path / "rgba.png"), rgba)
    for name in ("palette.tif", "rgb.tif", "planar.tif", "rgba.png"):
        (page,) = read_pages(tmp_path / name)
        np.testing.assert_allclose(page.pixels * 255, picture, atol=0.01, err_msg=name)
        assert page.flags == ()


def test_colours_become_luminance_with_a_flag(tmp_path: Path) -> None:
    # luminance weights of Rec. ITU-R BT.601-7, 2.5.1
    rgb = np.zeros((40, 60, 3), np.uint8)
    rgb[:, :20, 0], rgb[:, 20:40, 1], rgb[:, 40:, 2] = 255, 255, 255
    tifffile.imwrite(tmp_path / "a.tif", rgb)
    cv2.imwrite(str(tmp_path / "a.png"), rgb[..., ::-1])
    for name in ("a.tif", "a.png"):
        (page,) = read_pages(tmp_path / name)
        np.testing.assert_allclose(page.pixels[0, [0, 20, 40]], [0.299, 0.587, 0.114], atol=1e-6)
        assert [flag.name for flag in page.flags] == ["not_grey"]


def test_pages_are_pictures_of_their_own(tmp_path: Path, picture: np.ndarray) -> None:
    with tifffile.TiffWriter(tmp_path / "two.tif") as writer:
        writer.write(picture)
        writer.write(picture[:100])
    first, second = read_images(tmp_path / "two.tif")
    assert (first.source.name, second.source.name) == ("two.tif", "two.tif#2")
    assert second.pixels.shape == (100, 260)
    assert first.source.sha256 == second.source.sha256
    assert first.source.pages == 2


def test_thumbnails_are_left_out(tmp_path: Path, picture: np.ndarray) -> None:
    with tifffile.TiffWriter(tmp_path / "a.tif") as writer:
        writer.write(picture)
        writer.write(picture[::4, ::4], subfiletype=1)
    assert len(read_pages(tmp_path / "a.tif")) == 1


def test_float_without_numbers_somewhere(tmp_path: Path, picture: np.ndarray) -> None:
    values = picture.astype(np.float32) * 12 - 500
    values[10:14, 20:25] = np.nan
    tifffile.imwrite(tmp_path / "a.tif", values)
    (image,) = read_images(tmp_path / "a.tif")
    assert not image.valid[10:14, 20:25].any()
    assert np.isfinite(image.pixels).all()
    assert image.valid.sum() == image.valid.size - 20
    assert "non_finite_pixels" in [flag.name for flag in image.flags]
    inside = image.pixels[image.valid]
    assert inside.min() == 0
    assert inside.max() == 1


def test_float_between_0_and_1_keeps_its_levels(tmp_path: Path, picture: np.ndarray) -> None:
    values = (0.2 + picture / 1000).astype(np.float32)
    tifffile.imwrite(tmp_path / "a.tif", values)
    np.testing.assert_array_equal(read_pages(tmp_path / "a.tif")[0].pixels, values)


def test_a_few_wild_floats_do_not_set_the_range(tmp_path: Path, picture: np.ndarray) -> None:
    values = picture.astype(np.float32)
    values[0, 0] = 1e9
    tifffile.imwrite(tmp_path / "a.tif", values)
    assert read_pages(tmp_path / "a.tif")[0].pixels.std() > 0.1


@pytest.mark.parametrize("ending", [".bmp", ".jpg"])
def test_bmp_and_jpeg(tmp_path: Path, picture: np.ndarray, ending: str) -> None:
    cv2.imwrite(str(tmp_path / ("a" + ending)), picture, [cv2.IMWRITE_JPEG_QUALITY, 98])
    (page,) = read_pages(tmp_path / ("a" + ending))
    np.testing.assert_allclose(page.pixels * 255, picture, atol=0.01 if ending == ".bmp" else 12)


def test_the_bytes_not_the_name_tell_the_format(tmp_path: Path, picture: np.ndarray) -> None:
    cv2.imwrite(str(tmp_path / "a.png"), picture)
    (tmp_path / "a.png").rename(tmp_path / "really_png.tif")
    (page,) = read_pages(tmp_path / "really_png.tif")
    np.testing.assert_array_equal(np.rint(page.pixels * 255), picture)


def _written(folder: Path, kind: str, picture: np.ndarray) -> Path:
    path = folder / f"good.{kind}"
    if kind == "tif":
        tifffile.imwrite(path, picture)
    else:
        cv2.imwrite(str(path), picture)
    return path


@pytest.mark.parametrize("kind", ["tif", "png", "jpg", "bmp"])
@pytest.mark.parametrize("share", [0.02, 0.5, 0.98])
def test_a_file_cut_short_is_said_so(
    tmp_path: Path, picture: np.ndarray, kind: str, share: float
) -> None:
    data = _written(tmp_path, kind, picture).read_bytes()
    (tmp_path / f"cut.{kind}").write_bytes(data[: int(share * len(data))])
    with pytest.raises(ImageError) as caught:
        read_pages(tmp_path / f"cut.{kind}")
    assert caught.value.file == f"cut.{kind}"
    assert "cut short" in str(caught.value)
    assert caught.value.remedy
    assert str(tmp_path) not in str(caught.value)


@pytest.mark.parametrize(("content", "words"), [
    (b"", "empty"),
    (b"Dear colleague, the picture follows by post.\n", "text file"),
    (b"\x00\x01\x02\x03" * 20, "no known format"),
    (b"II*\0", "cut short"),
    (b"\x89PNG\r\n\x1a\n", "cut short"),
    (b"BM", "text file"),
])
def test_files_that_are_no_pictures(tmp_path: Path, content: bytes, words: str) -> None:
    (tmp_path / "note.tif").write_bytes(content)
    with pytest.raises(ImageError, match=r"note\.tif") as caught:
        read_pages(tmp_path / "note.tif")
    assert words in str(caught.value) or "cut short" in str(caught.value)


def test_a_missing_file(tmp_path: Path) -> None:
    with pytest.raises(ImageError, match=r"gone\.tif"):
        read_pages(tmp_path / "gone.tif")


def _absurd(kind: str, folder: Path, rows: int, cols: int) -> Path:
    small = _written(folder, kind, np.full((16, 16), 90, np.uint8))
    data = bytearray(small.read_bytes())
    if kind == "png":
        import zlib

        data[16:24] = cols.to_bytes(4, "big") + rows.to_bytes(4, "big")
        data[29:33] = zlib.crc32(bytes(data[12:29])).to_bytes(4, "big")
    elif kind == "jpg":
        at = data.index(b"\xff\xc0")
        data[at + 5 : at + 9] = rows.to_bytes(2, "big") + cols.to_bytes(2, "big")
    elif kind == "bmp":
        data[18:26] = cols.to_bytes(4, "little") + rows.to_bytes(4, "little")
    else:
        with tifffile.TiffFile(small) as tiff:
            places = {code: tiff.pages[0].tags[code].valueoffset for code in (256, 257)}
            width = {code: tiff.pages[0].tags[code].dtype for code in (256, 257)}
        for code, value in ((256, cols), (257, rows)):
            size = 4 if int(width[code]) == 4 else 2
            data[places[code] : places[code] + size] = value.to_bytes(size, "little")
    small.write_bytes(bytes(data))
    return small


@pytest.mark.parametrize("kind", ["tif", "png", "jpg", "bmp"])
def test_absurd_sizes_are_refused_before_memory_is_asked_for(tmp_path: Path, kind: str) -> None:
    import tracemalloc

    path = _absurd(kind, tmp_path, 60000, 60000)
    tracemalloc.start()
    with pytest.raises(ImageError, match="60000 x 60000"):
        read_pages(path)
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert peak < 20e6


@pytest.mark.parametrize("kind", ["tif", "png", "jpg", "bmp"])
def test_a_size_that_the_bytes_cannot_hold_is_refused(tmp_path: Path, kind: str) -> None:
    path = _absurd(kind, tmp_path, 16000, 16000)
    with pytest.raises(ImageError, match=r"cut short|cannot hold"):
        read_pages(path)


@pytest.mark.parametrize("kind", ["tif", "png", "jpg", "bmp"])
def test_a_picture_without_rows_is_refused(tmp_path: Path, kind: str) -> None:
    with pytest.raises(ImageError, match="0"):
        read_pages(_absurd(kind, tmp_path, 0, 16))


def test_the_limit_is_the_callers(tmp_path: Path, picture: np.ndarray) -> None:
    tifffile.imwrite(tmp_path / "a.tif", picture)
    with pytest.raises(ImageError, match="at most"):
        read_pages(tmp_path / "a.tif", limits=ReadingLimits(max_pixels=50_000))


def test_unsupported_compression_is_named(tmp_path: Path, picture: np.ndarray) -> None:
    tifffile.imwrite(tmp_path / "a.tif", picture)
    data = bytearray((tmp_path / "a.tif").read_bytes())
    with tifffile.TiffFile(tmp_path / "a.tif") as tiff:
        at = tiff.pages[0].tags[259].valueoffset
    data[at : at + 2] = (50000).to_bytes(2, "little")
    (tmp_path / "a.tif").write_bytes(bytes(data))
    with pytest.raises(ImageError, match="Zstandard") as caught:
        read_pages(tmp_path / "a.tif")
    assert "uncompressed" in caught.value.remedy
