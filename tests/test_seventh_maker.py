"""The drawn faces: truth that follows from the labels, every kind drawn, nothing by chance."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.ndimage import map_coordinates
from seventh_around import GROUNDS, SURFACES
from seventh_laser import LASER_LOOKS
from seventh_maker import FAULTS, SIDES, draw_face, draw_parts, plan_face
from seventh_mechanical import SCISSOR_LOOKS, TORN_LOOKS
from seventh_sem import COLUMNS
from seventh_zones import FAMILIES

CODES = {"laser-torn": {1, 3}, "laser-scissor": {1, 2}, "through-cut": {1},
         "all-scissor": {2}, "all-torn": {3}}


def anterior_up(field, anterior):
    """A turn that puts the anterior edge above, written apart from the maker's."""
    if anterior == "bottom":
        return np.flipud(field)
    if anterior == "left":
        return np.transpose(field)
    if anterior == "right":
        return np.transpose(np.fliplr(field))
    return field


@pytest.fixture(scope="module")
def drawn():
    """Every family twice; sides and faults take turns."""
    parts = []
    for number in range(12):
        rng = np.random.default_rng(400 + number)
        plan = replace(plan_face(rng), family=list(FAMILIES)[number % 6],
                       anterior=SIDES[number % 4], fault=(FAULTS + ("",) * 6)[number])
        parts.append(draw_parts(rng, plan))
    return parts


def shares(face, band):
    """Chord by chord: laser share and chord length in px, whole and clear chords only."""
    labels = anterior_up(face.labels, face.anterior)
    found = []
    for number in range(0, band.s.size, 3):
        n = np.arange(band.upper[number] + 1, band.lower[number] - 1, 0.5)
        turn = band.turn[number]
        at = (band.axis_y[number] + np.cos(turn) * n, band.axis_x[number] - np.sin(turn) * n)
        read = map_coordinates(labels, at, order=0, mode="constant", cval=0)
        if read.min() == 0 or (read == 4).mean() > 0.02:
            continue
        found.append(((read == 1).sum() / (read != 4).sum(), n.size / 2 + 2, number))
    return np.array(found)


def test_values_are_in_range(drawn):
    for face, _, _ in drawn:
        assert face.image.dtype == face.labels.dtype == np.uint8
        assert face.image.ndim == 2
        assert face.image.shape == face.labels.shape
        assert all(700 <= side <= 1100 for side in face.image.shape)
        assert 0.15 <= (face.labels > 0).mean() <= 0.6
        assert 150 <= face.thickness_um <= 900
        assert 0.1 < face.pixel_size_um < 6
        assert np.ptp(face.image) > 30
        assert face.good == (face.fault == "")
        assert face.anterior in SIDES


def test_labels_are_those_of_the_family(drawn):
    for face, _, _ in drawn:
        codes = set(np.unique(face.labels).tolist()) - {0, 4}
        if face.family == "scissor-ends":
            assert {1, 2} <= codes
        else:
            assert codes == CODES[face.family]
        named = {look.split(":")[0] for look in face.looks}
        assert {{1: "laser", 2: "scissor", 3: "torn"}[code] for code in codes} <= named


def test_depth_and_thickness_follow_from_the_labels(drawn):
    for face, band, _ in drawn:
        found = shares(face, band)
        assert found[:, 1].mean() * face.pixel_size_um == pytest.approx(face.thickness_um, rel=0.03)
        if np.isnan(face.depth_fraction):
            assert 1 not in face.labels
            continue
        laser = found[found[:, 0] > 0, 0]
        assert laser.mean() == pytest.approx(face.depth_fraction, abs=0.01)


def test_depth_is_the_one_that_was_cut(drawn):
    for face, band, cut in drawn:
        if face.family in ("laser-torn", "laser-scissor"):
            chords = shares(face, band)[:, 2].astype(int)
            assert cut.depth[chords].mean() == pytest.approx(face.depth_fraction, abs=0.01)


def test_laser_begins_on_the_anterior_side(drawn):
    for face, _, _ in drawn:
        if face.family in ("laser-torn", "laser-scissor"):
            labels = anterior_up(face.labels, face.anterior)
            rows = np.arange(labels.shape[0])[:, None]
            laser, rest = labels == 1, (labels == 2) | (labels == 3)
            both = laser.any(axis=0) & rest.any(axis=0)
            mean = [(rows * part).sum(axis=0)[both] / part.sum(axis=0)[both]
                    for part in (laser, rest)]
            assert (mean[0] < mean[1]).mean() > 0.95


def test_the_same_state_draws_the_same_picture():
    first, second = (draw_face(np.random.default_rng(77)) for _ in range(2))
    other = draw_face(np.random.default_rng(78))
    assert np.array_equal(first.image, second.image)
    assert np.array_equal(first.labels, second.labels)
    assert (first.looks, first.pixel_size_um) == (second.looks, second.pixel_size_um)
    assert not np.array_equal(first.image, other.image)


def test_all_kinds_are_planned_in_fair_shares():
    plans = [plan_face(np.random.default_rng(number)) for number in range(600)]
    assert {plan.family for plan in plans} == set(FAMILIES)
    assert {plan.anterior for plan in plans} == set(SIDES)
    assert {plan.fault for plan in plans} == {"", *FAULTS}
    assert {plan.ground for plan in plans} == set(GROUNDS)
    assert {plan.column for plan in plans} == set(COLUMNS)
    assert {plan.surface for plan in plans if plan.beside} == set(SURFACES)
    for code, looks in ((1, LASER_LOOKS), (2, SCISSOR_LOOKS), (3, TORN_LOOKS)):
        assert {plan.textures[code] for plan in plans} == set(looks)
    assert np.mean([not plan.fault for plan in plans]) == pytest.approx(0.75, abs=0.05)
    assert np.mean([bool(plan.beside) for plan in plans]) == pytest.approx(0.5, abs=0.08)


@pytest.mark.parametrize("looks", [LASER_LOOKS, SCISSOR_LOOKS, TORN_LOOKS])
def test_every_look_has_relief_of_its_own(looks):
    assert len(looks) >= 4
    seen = []
    for look in looks.values():
        for um in (0.3, 3.0):
            height, tone = look(np.random.default_rng(5), (150, 210), um)
            assert height.shape == np.broadcast_shapes(height.shape, np.shape(tone)) == (150, 210)
            assert np.isfinite(height).all()
            slope = np.hypot(*np.gradient(height)).mean()
            assert 0.03 < slope < 3
            assert 0.4 < np.min(tone) <= np.max(tone) < 1.8
        seen.append(height)
    for number, height in enumerate(seen[1:]):
        assert not np.allclose(height, seen[number])
