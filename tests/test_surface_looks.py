"""A lens's own surface beside a face is told from a part of the cut."""

import cv2
import numpy as np
import pytest
from scipy.ndimage import gaussian_filter1d

from edgeqc.errors import ModelError
from edgeqc.faces.perceptrons import opinion
from edgeqc.faces.surface_looks import belongs_to_cut, surface_features

ROWS, COLS = 480, 640
PART, FACE = np.s_[100:180, 60:580], np.s_[180:360, 60:580]


def masks():
    part, face = np.zeros((ROWS, COLS), bool), np.zeros((ROWS, COLS), bool)
    part[PART], face[FACE] = True, True
    return part, face, ~(part | face)


def scene(*, lines, contrast=0.05, seed=5):
    """A cratered face, beside it a part with or without drag lines, before plain ground."""
    rng = np.random.default_rng(seed)
    pixels = np.full((ROWS, COLS), 0.2)
    grain = cv2.GaussianBlur(rng.standard_normal((ROWS, COLS)), (0, 0), 2.5)
    pixels[FACE] = (0.55 + 0.09 * grain / grain.std())[FACE]
    row, col = np.mgrid[:ROWS, :COLS]
    across = row * np.cos(0.5) - col * np.sin(0.5)
    white = rng.standard_normal(2 * COLS + 1)
    profile = gaussian_filter1d(white, 1.3)
    drag = np.interp(across, np.arange(-COLS, COLS + 1), profile / profile.std())
    cloud = cv2.GaussianBlur(rng.standard_normal((ROWS, COLS)), (0, 0), 40.0)
    look = drag if lines else 0.3 * cloud / cloud.std()
    pixels[PART] = (0.45 + contrast * look)[PART]
    pixels = cv2.GaussianBlur(pixels, (0, 0), 0.7) + rng.normal(0, 0.012, pixels.shape)
    return np.asarray(np.clip(pixels, 0, 1), np.float32)


@pytest.mark.parametrize("seed", range(4))
def test_drag_lines_belong_to_the_cut_and_a_clouded_surface_does_not(seed):
    cut = surface_features(scene(lines=True, seed=seed), *masks())
    lens = surface_features(scene(lines=False, seed=seed), *masks())
    # an outline is doubted from a half on
    assert belongs_to_cut(cut) > 0.5
    assert belongs_to_cut(lens) < 0.5


def test_mirror_turn_gain_and_offset_change_next_to_nothing():
    pixels, where = scene(lines=True), masks()
    found = surface_features(pixels, *where)
    assert found.shape == (37,)
    assert np.isfinite(found).all()
    changed = {
        "mirrored": surface_features(pixels[:, ::-1].copy(), *(m[:, ::-1].copy() for m in where)),
        "turned": surface_features(np.rot90(pixels).copy(), *(np.rot90(m).copy() for m in where)),
        "darker": surface_features(0.6 * pixels + 0.1, *where),
    }
    for name, other in changed.items():
        # the logarithm of the step of grey between face and ground is one of them
        assert np.allclose(found, other, atol=0.6 if name == "darker" else 0.02), name
        assert belongs_to_cut(other) == pytest.approx(belongs_to_cut(found), abs=0.1)


def test_without_ground_the_face_stands_in_for_it():
    pixels, (part, face, _) = scene(lines=True), masks()
    found = surface_features(pixels, part, face, np.zeros_like(part))
    assert np.isfinite(found).all()
    assert np.allclose(found[:5], found[5:10])
    assert found[10] == 0


def test_a_part_of_few_pixels_says_nothing():
    pixels, (_, face, ground) = scene(lines=True), masks()
    part = np.zeros((ROWS, COLS), bool)
    part[170:180, 60:80] = True
    assert surface_features(pixels, part, face, ground) is None
    nothing = np.zeros((ROWS, COLS), bool)
    assert surface_features(pixels, nothing, nothing, ground) is None
    assert surface_features(pixels, face, nothing, ground) is None


def test_weights_that_are_not_there_are_named():
    with pytest.raises(ModelError, match=r"absent\.npz"):
        opinion("faces", "absent.npz", np.zeros(37))
