"""Roughness rows of zones: bases kept apart, height maps laid over the picture, noise taken out."""

import math
from dataclasses import replace

import cv2
import numpy as np
import pytest

from edgeqc.faces.face import CutFace
from edgeqc.flags import raised
from edgeqc.imaging.image import CalibratedImage, ImageSource
from edgeqc.measure.height_map import HeightMap
from edgeqc.measure.height_registration import register_height_map
from edgeqc.measure.stereo_zone import ZoneHeights
from edgeqc.measure.zone_roughness import (
    MATCHING,
    SIGN_FREE,
    height_map_rows,
    heights_on_picture,
    zone_masks,
    zone_roughness,
)
from edgeqc.zoning.zones import LASER, TORN, ZoneMap

PIXEL = 0.25
SHAPE = (180, 260)
TOP, MIDDLE, BOTTOM = 20, 110, 160


def rough(rng, length_px, sq, shape=SHAPE):
    plane = cv2.GaussianBlur(rng.standard_normal(shape), (0, 0), length_px)
    return (plane - plane.mean()) * sq / plane.std()


def image_of(pixels=None, pixel=PIXEL):
    pixels = np.zeros(SHAPE) if pixels is None else pixels
    return CalibratedImage(
        pixels.astype(np.float32), np.ones(pixels.shape, bool), pixel and (pixel, pixel), 0.01,
        "sheet", 0.0, 0.5, 0.01, ImageSource("a.tif"))


@pytest.fixture(scope="module")
def face():
    col = np.arange(10.0, SHAPE[1] - 10)
    anterior = np.stack([np.full(col.size, float(TOP)), col], axis=1)
    posterior = np.stack([np.full(col.size, float(BOTTOM)), col], axis=1)
    return CutFace(1, np.concatenate([anterior, posterior[::-1]]), anterior, posterior,
                   col - col[0], np.ones(col.size, bool), "top", "sheet", 0.2)


@pytest.fixture(scope="module")
def zones():
    labels = np.full((140, 60), TORN, np.uint8)
    labels[: MIDDLE - TOP] = LASER
    return ZoneMap(labels, np.full((4, 140, 60), 0.25, np.float32), np.full(60, 0.64),
                   np.full((2, 60), 0.64, np.float32), np.full(60, 0.64), "test", 1.0, 10.0)


@pytest.fixture(scope="module")
def relief():
    rng = np.random.default_rng(1)
    laser, torn = rough(rng, 4.0, 0.5), rough(rng, 5.0, 1.5)
    return np.where(np.arange(SHAPE[0])[:, None] < MIDDLE, laser, torn)


def map_of(height, sigma=0.0, **more):
    return HeightMap(height, (PIXEL, PIXEL), np.full(height.shape, sigma), 0.01, "a.tif", **more)


def value(rows, zone, parameter):
    found = [r.result for r in rows if r.zone == zone and r.parameter == parameter]
    assert len(found) == 1
    return found[0]


def test_each_zone_gets_its_own_heights(face, zones, relief):
    made = zone_roughness(image_of(), face, zones, height_map=map_of(relief))
    assert {row.basis for row in made.rows} == {"height map"}  # straight edges: no contour rows
    for zone, part in (("laser", relief[TOP + 8 : MIDDLE - 8, 18:-18]),
                       ("torn", relief[MIDDLE + 8 : BOTTOM - 8, 18:-18])):
        assert value(made.rows, zone, "Sq").value == pytest.approx(np.std(part), rel=0.05)
    assert all(row.standard.startswith("ISO 25178-2") for row in made.rows)
    assert all("heights from a.tif" in row.note for row in made.rows)


def test_masks_stay_clear_of_borders(face, zones, relief):
    placed = register_height_map(map_of(relief), image_of())
    masks = zone_masks(placed, face, zones, SHAPE, border_um=2.0)
    rows, cols = np.nonzero(masks["laser"])
    assert (rows.min(), rows.max()) == (TOP + 8, MIDDLE - 9)
    assert (cols.min(), cols.max()) == (18, SHAPE[1] - 19)


def test_known_noise_is_taken_out(face, zones, relief):
    rng = np.random.default_rng(2)
    noisy = relief + rng.normal(0, 0.3, SHAPE)
    clean, known, unknown = (
        height_map_rows(register_height_map(map_of(*given), image_of()), face, zones, SHAPE)[0]
        for given in ((relief,), (noisy, 0.3), (noisy, math.nan)))
    clean, known = value(clean, "laser", "Sq"), value(known, "laser", "Sq")
    assert known.value == pytest.approx(clean.value, rel=0.02)
    assert known.budget["height noise"] > 0
    assert value(unknown, "laser", "Sq").value > 1.1 * clean.value
    assert all("height noise not known" in row.note for row in unknown)


def test_sign_dependent_parameters_wait_for_a_proven_sign(face, zones, relief):
    placed = register_height_map(
        map_of(relief, flags=(raised("stereo_sign_unproven"),)), image_of())
    rows, untold = height_map_rows(placed, face, zones, SHAPE)
    assert rows
    assert untold == {}
    assert {row.parameter for row in rows} <= SIGN_FREE
    turned = register_height_map(map_of(-relief), image_of())
    upright = register_height_map(map_of(relief), image_of())
    both = [height_map_rows(m, face, zones, SHAPE)[0] for m in (upright, turned)]
    for name in SIGN_FREE:
        pair = [value(part, "laser", name).value for part in both]
        assert pair[0] == pytest.approx(pair[1], rel=1e-6, nan_ok=True)


def test_a_zone_of_a_stereo_pair_has_its_own_band_and_doubt(face, zones, relief, monkeypatch):
    # what the pair says of a zone has its own tests; here, what becomes of it
    asked = []

    def said(evidence, zone, form, settings):
        asked.append((evidence, zone, form))
        if zone[MIDDLE + 20, 100]:
            return ZoneHeights(None, 8.0, reason="its relief of 0.4 px is too low for the pair")
        return ZoneHeights(np.where(zone, relief, np.nan), 8.0, u_rel=0.06)

    monkeypatch.setattr("edgeqc.measure.zone_roughness.zone_heights", said)
    stereo = map_of(np.zeros(SHAPE), stereo="the pair", parallax_um=0.2)
    made = zone_roughness(image_of(), face, zones, height_map=stereo)
    assert [who for who, _, _ in asked] == ["the pair"] * 2
    assert {row.zone for row in made.rows} == {"laser"}
    sq = value(made.rows, "laser", "Sq")
    assert sq.budget[MATCHING] == pytest.approx(0.06 * sq.value)
    assert all("in the band that it settles" in row.note for row in made.rows)
    assert [(flag.name, flag.detail) for flag in made.flags] == [
        ("stereo_zone_untold", "torn: its relief of 0.4 px is too low for the pair")]
    whole = value(height_map_rows(register_height_map(map_of(relief), image_of()), face, zones,
                                  SHAPE)[0], "laser", "Sq")
    assert sq.value < whole.value  # the S-filter takes the finest relief


def test_a_map_without_heights_gives_no_row(face, zones):
    empty = replace(map_of(np.full(SHAPE, np.nan)), flags=(raised("stereo_no_overlap"),))
    made = zone_roughness(image_of(), face, zones, height_map=empty)
    assert made.rows == ()
    assert "stereo_no_overlap" in [flag.name for flag in made.flags]


def test_wrong_spacing_is_said_and_gives_no_row(face, zones, relief):
    wrong = replace(map_of(relief), spacing_um=(0.5, 0.5))
    made = zone_roughness(image_of(), face, zones, height_map=wrong)
    assert [flag.name for flag in made.flags] == ["height_map_unregistered"]
    assert not [row for row in made.rows if row.basis == "height map"]


def shaded(height):
    slope = np.gradient(height)
    return 0.5 + 0.3 * slope[0] - 0.1 * slope[1] + 0.05 * np.hypot(*slope)


@pytest.mark.parametrize("turned", [False, True])
def test_a_smaller_map_is_found_in_the_picture(turned):
    rng = np.random.default_rng(4)
    height = rough(rng, 3.0, 1.0, (300, 360))
    picture = image_of(shaded(height) + rng.normal(0, 0.02, height.shape))
    part = height[60:220:2, 100:300:2]  # every second point, from (60, 100)
    found = register_height_map(
        HeightMap(part[::-1] if turned else part, (2 * PIXEL, 2 * PIXEL), np.zeros(part.shape),
                  0.0, "b.sdf"), picture)
    assert found.flags == ()
    first = found.picture_px[-1, 0] if turned else found.picture_px[0, 0]
    np.testing.assert_allclose(first, [60, 100], atol=1.5)
    step = found.picture_px[1, 1] - found.picture_px[0, 0]
    np.testing.assert_allclose(step, [-2 if turned else 2, 2], atol=1e-4)


def test_a_map_of_another_field_is_not_laid_over():
    rng = np.random.default_rng(5)
    height = rough(rng, 3.0, 1.0, (300, 360))
    other = rough(rng, 3.0, 1.0, (160, 200))
    found = register_height_map(
        HeightMap(other, (PIXEL, PIXEL), np.zeros(other.shape), 0.0, "b.sdf"),
        image_of(shaded(height)))
    assert [flag.name for flag in found.flags] == ["height_map_unregistered"]
    assert found.picture_px is None


def test_heights_on_picture(relief):
    placed = register_height_map(map_of(relief), image_of())
    np.testing.assert_allclose(heights_on_picture(placed, SHAPE), relief, rtol=1e-6)
    assert np.isnan(heights_on_picture(map_of(relief), SHAPE)).all()
