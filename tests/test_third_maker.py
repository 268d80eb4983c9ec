"""The third maker's truth agrees with itself, and its pictures come out alike each time."""

import cv2
import numpy as np
import pytest
import third_maker
from third_maker import FAMILIES, LASER, OBSCURED, QUARTER_TURNS, SCISSOR, TORN, draw_face

SMALL = 0.2  # pictures of 100-280 pixels a side


@pytest.fixture(scope="module")
def small_faces():
    """The first 200 seeds, drawn small."""
    return [draw_face(np.random.default_rng(seed), scale=SMALL) for seed in range(200)]


def upright(face):
    """Return the labels with the anterior side at the top and the face's middle line level."""
    labels = np.rot90(face.labels, -QUARTER_TURNS[face.anterior])
    inside = labels > 0
    thick = inside.sum(axis=0)
    cols = np.flatnonzero(thick > 0.9 * np.median(thick[thick > 0]))
    rows = np.arange(labels.shape[0]) @ inside[:, cols] / thick[cols]
    slope = np.polyfit(cols, rows, 1)[0]
    centre = (labels.shape[1] / 2, labels.shape[0] / 2)
    turn = cv2.getRotationMatrix2D(centre, np.degrees(np.arctan(slope)), 1.0)
    unseen = 255  # what lay beyond the picture
    return cv2.warpAffine(labels, turn, labels.shape[::-1], flags=cv2.INTER_NEAREST,
                          borderMode=cv2.BORDER_CONSTANT, borderValue=unseen)  # fmt: skip


def depth_of(labels):
    """Return the mean depth over thickness at columns that hold the whole thickness, no debris."""
    inside, laser = (labels > 0) & (labels < 255), (labels == LASER).sum(axis=0)
    thick = inside.sum(axis=0)
    beside = inside & (cv2.dilate((labels == 255).astype(np.uint8), np.ones((3, 1))) > 0)
    whole = (thick > 0.6 * np.median(thick[thick > 0])) & ~beside.any(axis=0)
    whole &= ~inside[0] & ~inside[-1]
    clear = whole & ((labels == OBSCURED).sum(axis=0) <= 0.02 * thick) & (laser > 0)
    return float((laser[clear] / thick[clear]).mean()) if clear.any() else float("nan")


@pytest.mark.parametrize("seed", range(4))
def test_labels_hold_the_depth_at_full_size(seed):
    face = draw_face(np.random.default_rng(seed))
    assert face.image.shape == face.labels.shape
    assert face.image.size < 1.6e6
    assert face.image.dtype == face.labels.dtype == np.uint8
    assert 0.3 <= face.pixel_size_um <= 1.5
    assert depth_of(upright(face)) == pytest.approx(face.depth_fraction, abs=0.01, nan_ok=True)


def test_labels_hold_the_depth_and_thickness_of_small_faces(small_faces):
    good = [face for face in small_faces if face.good]
    differ = [abs(depth_of(upright(face)) - face.depth_fraction) for face in good]
    assert np.nanquantile(differ, 0.95) < 0.01
    assert np.nanmax(differ) < 0.02  # a pixel is up to 1 % of the thickness here
    for face in good:
        thick = (face.labels > 0).sum(axis=QUARTER_TURNS[face.anterior] % 2)
        middle = np.quantile(thick[thick > 0], 0.6) * face.pixel_size_um
        assert face.thickness_um == pytest.approx(middle, rel=0.25)


def test_the_laser_lies_on_the_anterior_side(small_faces):
    for face in small_faces:
        labels = upright(face)
        below = np.isin(labels, (SCISSOR, TORN))
        both = ((labels == LASER).sum(axis=0) > 5) & (below.sum(axis=0) > 5)
        rows = np.arange(labels.shape[0])[:, None]
        if both.sum() > 20:
            laser = ((labels == LASER) * rows).sum(axis=0)[both] / (labels == LASER).sum(axis=0)[
                both
            ]
            rest = (below * rows).sum(axis=0)[both] / below.sum(axis=0)[both]
            assert np.median(laser) < np.median(rest)


def test_every_family_texture_and_side_is_met(small_faces):
    assert {face.family for face in small_faces} == set(FAMILIES)
    assert {face.anterior for face in small_faces} == set(QUARTER_TURNS)
    kinds = {kind.__name__ for kinds in third_maker.KINDS.values() for kind in kinds}
    assert {name for face in small_faces for name in face.looks} == kinds
    assert 0.78 < np.mean([face.good for face in small_faces]) < 0.92


def test_the_family_says_which_zones_there_are(small_faces):
    for face in small_faces:
        held = {int(code) for code in np.unique(face.labels)} - {0, OBSCURED}
        assert (LASER in held) != face.family.startswith("whole")
        assert np.isnan(face.depth_fraction) == face.family.startswith("whole")
        assert len(face.looks) >= len(held)
        if face.good and face.family in ("laser over torn", "laser over scissor"):
            assert held == {LASER, TORN if face.family.endswith("torn") else SCISSOR}


def test_the_same_generator_gives_the_same_picture():
    first, second, other = (draw_face(np.random.default_rng(k), scale=SMALL) for k in (7, 7, 8))
    assert np.array_equal(first.image, second.image)
    assert np.array_equal(first.labels, second.labels)
    assert (first.depth_fraction, first.looks) == (second.depth_fraction, second.looks)
    assert first.image.shape != other.image.shape or not np.array_equal(first.image, other.image)


def test_grey_alone_does_not_name_the_zone(small_faces):
    brighter = []
    for face in small_faces:
        laser, rest = face.labels == LASER, np.isin(face.labels, (SCISSOR, TORN))
        if face.good and laser.sum() > 500 and rest.sum() > 500:
            brighter.append(face.image[laser].mean() > face.image[rest].mean())
    assert 0.3 < np.mean(brighter) < 0.7
