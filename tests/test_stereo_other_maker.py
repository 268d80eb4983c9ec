"""The other maker of stereo pairs: its geometry by its own law, and what the code makes of it."""

import math

import numpy as np
import pytest
from other_stereo_maker import FINE, SIDE_PX, draw_other_pair, light_of, seen, taken_at

from edgeqc.measure.height_map import height_from_stereo


def spot(side, row, col, width=3.0):
    down, right = np.mgrid[0:side, 0:side]
    return np.exp(-((down - row) ** 2 + (right - col) ** 2) / (2 * width**2))


def centre(plane):
    row, col = np.mgrid[0 : plane.shape[0], 0 : plane.shape[1]]
    return np.array([(plane * row).sum(), (plane * col).sum()]) / plane.sum()


@pytest.mark.parametrize("tilt_deg", [-7.0, 0.0, 5.0, 12.0])
def test_a_point_is_seen_where_parallel_projection_puts_it(tilt_deg):
    side, lift, tilt = 200, 6.0, math.radians(tilt_deg)
    bright = spot(side, 90, 130)
    view = seen(np.full((side, side), lift), bright, tilt)
    row, col = centre(view)
    middle = (side - 1) / 2
    expected = (130 - middle) * math.cos(tilt) - FINE * lift * math.sin(tilt) + middle
    assert (row, col) == pytest.approx((90, expected), abs=0.05)


def test_what_stands_behind_a_wall_is_not_seen():
    side = 200
    height = np.where(np.arange(side) < 100, 0.0, 20.0)[None, :].repeat(side, axis=0)
    dark = np.ones((side, side))
    dark[:, 92:99] = 0.1  # at the foot of a step up, 40 fine pixels high
    hidden, open_side = (seen(height, dark, math.radians(t)) for t in (15.0, -15.0))
    # a positive tilt moves high points to smaller columns: the step leans over its own foot
    assert hidden.min() > 0.9
    assert open_side.min() < 0.2


def test_an_oblique_axis_leans_towards_growing_columns():
    fine = FINE * (SIDE_PX + 60)
    line = np.exp(-((np.arange(fine) - (fine - 1) / 2) ** 2) / 18)[None, :].repeat(fine, axis=0)
    picture = taken_at(line, 30.0, 1)
    top, bottom = (float(picture[r] @ np.arange(SIDE_PX) / picture[r].sum()) for r in (80, 240))
    assert (bottom - top) / 160 == pytest.approx(math.tan(math.radians(30)), rel=0.02)


@pytest.mark.parametrize(("make", "moves"), [("fixed", False), ("turning", True)])
def test_only_a_turning_light_changes_with_the_tilt(make, moves):
    rng = np.random.default_rng(3)
    light = light_of(rng, 120, make)
    height = 3 * rng.standard_normal((120, 120)).cumsum(axis=1) / 10
    change = np.abs(light.of(height, 0.1) - light.of(height, -0.1)).max()
    assert (change > 0.01) == moves


def test_heights_of_a_pair_of_fixed_brightness_come_back():
    rng = np.random.default_rng(9301)
    pair = draw_other_pair(rng)
    while pair.make != "fixed" or min(pair.relief_px) < 1.5:
        pair = draw_other_pair(rng)
    found = height_from_stereo(pair.left, pair.right, pixel_size_um=pair.pixel_um,
                               tilt_deg=pair.tilt_deg, tilt_axis=pair.axis_deg)
    core = np.s_[50:-50, 50:-50]
    both = np.isfinite(found.height_um[core])
    assert both.mean() > 0.9
    got, truth = found.height_um[core][both], pair.height_um[core][both]
    assert np.corrcoef(got, truth)[0, 1] > 0.9
    assert np.std(got) == pytest.approx(np.std(truth), rel=0.1)
