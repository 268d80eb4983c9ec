"""Chords beside a stretch without laser carry their doubt into the mean depth."""

import math

import numpy as np
import pytest

from edgeqc.measure.cut_depth import CutDepthSettings, _beside_stretches, _doubts
from edgeqc.quantity import Profile


def doubt(depth, *, measured=None, thickness=20.0):
    depth = np.asarray(depth, float)
    there = np.ones(depth.size, bool) if measured is None else measured
    s = np.arange(depth.size, dtype=float)
    profile = Profile(s, depth, np.zeros(depth.size), "1", there & (depth > 0))
    return _beside_stretches(profile, there, thickness)


def test_without_a_stretch_nothing_is_added():
    assert doubt(np.linspace(0.3, 0.9, 100)) == 0.0


def test_a_border_square_to_the_face_adds_nothing():
    assert doubt(np.where(np.arange(100) < 40, 0.0, 0.8)) == pytest.approx(0.0, abs=1e-12)


def test_a_slanted_border_adds_what_it_changes():
    depth = np.full(100, 0.8)
    depth[:40] = 0.0
    depth[40:42] = 0.1  # two chords within a tenth of the thickness
    expected = (0.8 - depth[40:].mean()) / math.sqrt(3)
    assert doubt(depth) == pytest.approx(expected)
    assert doubt(depth[::-1]) == pytest.approx(expected)  # at the other end as well


def test_chords_left_out_are_no_stretch():
    depth = np.full(100, 0.8)
    depth[:40] = 0.0
    depth[40:42] = 0.1
    hidden = np.ones(100, bool)
    hidden[:40] = False  # no measured chord says that there is no laser
    assert doubt(depth, measured=hidden) == 0.0


def test_a_laser_zone_all_near_a_stretch_has_nothing_to_compare_with():
    assert doubt([0.0] * 50 + [0.5, 0.6] + [0.0] * 48) == 0.0


def test_much_of_it_sends_the_face_to_review():
    settings = CutDepthSettings()
    assert _doubts(settings.u_beside_max, settings) == ()
    assert [flag.name for flag in _doubts(0.03, settings)] == ["depth_uncertain"]
