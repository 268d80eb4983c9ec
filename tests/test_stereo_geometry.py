"""Closed forms of parallel-projection stereo.

Source of the formulas: Photogrammetric Engineering and Remote Sensing 1975, p. 1367-1368,
eq. 31-41; the figures are computed from them.
"""

import math

import numpy as np
import pytest

from edgeqc.errors import HeightMapError
from edgeqc.measure.stereo_geometry import (
    axis_angle_deg,
    check_tilts,
    ground_from_positions,
    height_from_positions,
    height_per_parallax,
    height_scale,
    position_at_tilt,
    tilt_frame,
)

GROUND = np.array([-40.0, -3.0, 0.0, 12.5, 77.0])
HEIGHT = np.array([5.0, -2.0, 0.0, 9.5, -11.0])


def seen(tilt_deg):
    # the projection, written out anew: rotate about the axis, drop the third coordinate
    a = math.radians(tilt_deg)
    turned = np.array([[math.cos(a), -math.sin(a)], [math.sin(a), math.cos(a)]])
    return (turned @ np.stack([GROUND, HEIGHT]))[0]


def test_first_picture_untilted_is_the_published_form():
    d = math.radians(8)
    first, second = seen(0), seen(8)
    published = (first * math.cos(d) - second) / math.sin(d)
    np.testing.assert_allclose(height_from_positions(first, second, tilt_deg=(0, 8)), published,
                               rtol=1e-12)
    np.testing.assert_allclose(published, HEIGHT, rtol=1e-12, atol=1e-12)


def test_symmetric_pair_is_the_published_form():
    half = math.radians(5)
    first, second = seen(-5), seen(5)
    np.testing.assert_allclose(
        height_from_positions(first, second, tilt_deg=(-5, 5)),
        (first - second) / (2 * math.sin(half)), rtol=1e-12, atol=1e-12)
    np.testing.assert_allclose(
        ground_from_positions(first, second, tilt_deg=(-5, 5)),
        (first + second) / (2 * math.cos(half)), rtol=1e-12, atol=1e-12)


@pytest.mark.parametrize("tilts", [(-3.0, 7.0), (12.0, 2.0), (-20.0, -8.0)])
def test_unequal_tilts_give_back_ground_and_height(tilts):
    first, second = seen(tilts[0]), seen(tilts[1])
    np.testing.assert_allclose(height_from_positions(first, second, tilt_deg=tilts), HEIGHT,
                               rtol=1e-12, atol=1e-12)
    np.testing.assert_allclose(ground_from_positions(first, second, tilt_deg=tilts), GROUND,
                               rtol=1e-12, atol=1e-12)
    np.testing.assert_allclose(position_at_tilt(GROUND, HEIGHT, tilt_deg=tilts[0]), first,
                               rtol=1e-12, atol=1e-12)


@pytest.mark.parametrize(
    ("difference", "expected"),
    [(3, 19.1008), (5, 11.4628), (6, 9.5537), (8, 7.1678), (10, 5.7369), (15, 3.8306)])
def test_height_per_unit_parallax(difference, expected):
    tilts = (-difference / 2, difference / 2)
    # printed to four decimals
    assert height_per_parallax(tilts) == pytest.approx(expected, abs=6e-5)
    # one unit of parallax on a real pair of positions
    assert float(height_from_positions(0.5, -0.5, tilt_deg=tilts)) == pytest.approx(
        expected, abs=6e-5)


@pytest.mark.parametrize(
    ("difference", "percent"), [(3, 3.33), (5, 2.00), (6, 1.67), (8, 1.25), (10, 1.00), (15, 0.66)])
def test_tilt_error_per_tenth_of_a_degree(difference, percent):
    tilts = (-difference / 2, difference / 2)
    scale = height_scale(tilts, u_tilt_deg=0.1, u_rel_pixel_size=0.0)
    assert 100 * scale.u == pytest.approx(percent, rel=0.01)
    wrong = (tilts[0] - 0.0005, tilts[1] + 0.0005)  # small, then scaled: the law is a derivative
    first, second = seen(tilts[0]), seen(tilts[1])
    off = height_from_positions(first, second, tilt_deg=wrong)[0] / HEIGHT[0] - 1
    # the far point's x·(cos - cos) term cancels for an evenly shared error
    assert abs(100 * 100 * off) == pytest.approx(percent, rel=0.01)


def test_pixel_size_scales_heights_and_adds_in_quadrature():
    first, second = seen(-5), seen(5)
    one = height_from_positions(first, second, tilt_deg=(-5, 5))
    more = height_from_positions(1.01 * first, 1.01 * second, tilt_deg=(-5, 5))
    np.testing.assert_allclose(more, 1.01 * one, rtol=1e-12, atol=1e-12)
    tilt_only = height_scale((-5, 5), u_tilt_deg=0.1, u_rel_pixel_size=0.0).u
    both = height_scale((-5, 5), u_tilt_deg=0.1, u_rel_pixel_size=0.01)
    assert both.u == pytest.approx(math.hypot(tilt_only, 0.01), rel=1e-12)
    assert set(both.budget) == {"tilt difference", "pixel size"}


@pytest.mark.parametrize(
    ("tilt", "percent"),
    [(1, 0.015), (3, 0.137), (5, 0.381), (10, 1.519), (30, 13.40), (45, 29.29)])
def test_foreshortening(tilt, percent):
    length = float(position_at_tilt(1.0, 0.0, tilt_deg=tilt))
    assert 100 * (1 - length) == pytest.approx(percent, abs=0.005 if tilt > 20 else 0.001)


def test_a_positive_tilt_moves_high_points_towards_smaller_columns():
    assert position_at_tilt(0.0, 1.0, tilt_deg=5) < 0


@pytest.mark.parametrize(("given", "expected"), [
    ("vertical", 0.0), (" Horizontal ", -90.0), ("30", 30.0), (12.5, 12.5)])
def test_axis_entries(given, expected):
    assert axis_angle_deg(given) == expected


@pytest.mark.parametrize("given", ["sideways", None, float("nan"), ""])
def test_bad_axis_is_named(given):
    with pytest.raises(HeightMapError, match="tilt_axis"):
        axis_angle_deg(given)


@pytest.mark.parametrize("tilts", [(5, 5), (float("nan"), 5), (0, 0.2), (-70, 5), (None, 3)])
def test_bad_tilts_are_named(tilts):
    with pytest.raises(HeightMapError, match="tilt"):
        check_tilts(tilts)


def test_tilt_frame_keeps_lengths():
    for angle in (0.0, -90.0, 30.0, 117.0):
        matrix, along, across = tilt_frame(angle, (0.2, 0.3))
        for k, expected in ((0, along), (1, across)):
            step_um = matrix[:, k] * np.array([0.2, 0.3])
            assert np.hypot(*step_um) == pytest.approx(expected, rel=1e-12)
    assert np.array_equal(tilt_frame(0.0, (0.2, 0.3))[0], np.eye(2))
