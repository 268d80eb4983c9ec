"""Samples drawn on the fitting device show the models the same planes as pictures do."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.ndimage as ndi

torch = pytest.importorskip("torch", reason="fitting the models needs the extra `train`")

from edgeqc.faces.face import CutFace  # noqa: E402
from edgeqc.faces.face_model import picture_planes  # noqa: E402
from edgeqc.imaging.image import CalibratedImage, ImageSource  # noqa: E402
from edgeqc.training.origins import names_of  # noqa: E402
from edgeqc.training.scenes import draw_scenes, planes_of_picture  # noqa: E402
from edgeqc.training.strips import draw_strips, planes_of  # noqa: E402
from edgeqc.zoning.texture import MARGIN, ROWS, face_planes  # noqa: E402


def _picture(rows, cols, sigma):
    noise = ndi.gaussian_filter(np.random.default_rng(4).normal(size=(rows, cols)), sigma)
    return np.clip(0.5 + 0.1 * noise / noise.std(), 0, 1).astype(np.float32)


def _calibrated(grey):
    return CalibratedImage(
        grey, np.ones(grey.shape, bool), None, 0.0, "none", 0.0, 0.0, 0.0, ImageSource("made")
    )


def test_strip_planes_equal_those_of_a_face():
    grey = _picture(ROWS, 640, 2.0)
    edge = MARGIN / (1 + 2 * MARGIN) * ROWS
    # the face's first and last chord lie half a sample outside, so that samples meet pixels
    cols = np.linspace(-0.5, 639.5, 641)
    front = np.stack([np.full(cols.size, edge - 0.5), cols], 1)
    back = np.stack([np.full(cols.size, ROWS - edge - 0.5), cols], 1)
    face = CutFace(
        number=1, outline_px=np.vstack([front, back[::-1]]), anterior_px=front,
        posterior_px=back, s_px=np.arange(cols.size, dtype=float),
        complete=np.ones(cols.size, bool), anterior="top", anterior_source="sheet", u_edge_px=0.5,
    )  # fmt: skip
    made = face_planes(_calibrated(grey), face, anterior_known=True)
    assert made.n_columns == 640
    strip = planes_of(torch.from_numpy(grey)[None], 640, 1.0)[0].numpy()
    inner = np.s_[40:-40, 40:-40]  # the ends are reflected about other places
    for index in range(7):
        difference = np.abs(strip[index][inner] - made.planes[index][inner])
        assert np.quantile(difference, 0.99) < 0.03, index


@pytest.mark.parametrize("ratio", [1, 2])
def test_scene_planes_equal_those_of_a_picture(ratio):
    grey = _picture(384 * ratio, 512 * ratio, 2.0)
    mine = planes_of_picture(torch.from_numpy(grey)[None], 384, 512)[0].numpy()
    theirs = picture_planes(_calibrated(grey))
    inner = np.s_[20:364, 20:492]
    for index in range(6):
        assert np.abs(mine[index][inner] - theirs[index][inner]).max() < 0.05, index


def test_drawn_samples_hold_every_zone_and_code():
    torch.manual_seed(3)
    planes, classes = draw_strips(6, 128, 0.55, "cpu")
    assert planes.shape == (6, 12, ROWS, 128)
    assert bool(torch.isfinite(planes).all())
    assert {0, 1, 2} <= set(names_of(classes).unique().tolist()) <= {0, 1, 2, 3, 255}
    planes, classes = draw_scenes(3, 1.0, "cpu")
    assert bool(torch.isfinite(planes).all())
    assert {0, 2} <= set(classes.unique().tolist()) <= {0, 1, 2, 255}


@pytest.mark.parametrize("size", [1, 2, 5, 24])
def test_every_picture_of_a_batch_is_drawn_by_one_hand(size):
    from edgeqc.training import scenes

    torch.manual_seed(size)
    drawn = set()
    for _ in range(60):
        kinds = scenes._kinds(size)
        assert sum(count for _, count in kinds) == size
        assert min(count for _, count in kinds) >= 0
        drawn |= {draw for draw, count in kinds if count}
    assert len(drawn & set(scenes._FURTHER)) > len(scenes._FURTHER) / 2
    assert len(set(scenes._FURTHER)) == len(scenes._FURTHER) > 24
