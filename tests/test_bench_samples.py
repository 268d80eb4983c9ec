"""Bench faces reach the zone model as samples of the right classes."""

import numpy as np

from edgeqc.training.cell_classes import IGNORED, UNTOLD
from edgeqc.training.samples import PLANE_STEP, bench_face, draw_bench_samples
from edgeqc.zoning.texture import CELL, MARGIN, N_PLANES, ROWS


def test_bench_samples_hold_every_zone_with_the_laser_foremost():
    found, foremost = set(), []
    for seed in range(6):
        for sample in draw_bench_samples(np.random.default_rng(seed)):
            assert sample.planes.shape[:2] == (N_PLANES, ROWS)
            assert sample.classes.shape == (ROWS // CELL, sample.planes.shape[2] // CELL)
            found |= set(np.unique(sample.classes).tolist())
            on_face = sample.classes[sample.classes != IGNORED]
            assert (on_face & UNTOLD).all()  # nothing is learned of the origin of its looks
            side_known = sample.planes[11, 0, 0] / PLANE_STEP > 0.5
            names = np.where(sample.classes == IGNORED, IGNORED, sample.classes & 15)
            laser = np.argwhere(names == 0)
            rest = np.argwhere((names == 1) | (names == 2))
            if side_known and laser.size and rest.size:
                foremost.append(laser[:, 0].mean() < rest[:, 0].mean())
    named = {UNTOLD, UNTOLD + 1, UNTOLD + 2}
    assert named <= found <= {*named, IGNORED}
    assert len(foremost) > 1
    assert all(foremost)


def test_a_bench_face_lies_where_its_labels_say():
    for seed in (1, 2):
        image, face, labels = bench_face(np.random.default_rng(seed))
        assert image.pixels.shape == labels.shape
        t = np.linspace(-MARGIN, 1 + MARGIN, 41)
        station = np.arange(5, face.s_px.size - 5, 10)
        at = np.rint(face.chord_points_px(station[None, :].astype(float), t[:, None])).astype(int)
        inside = ((at >= 0) & (at < labels.shape)).all(axis=-1)
        at = at.clip(0, np.array(labels.shape) - 1)
        covered = labels[at[..., 0], at[..., 1]] > 0
        on_face = ((t > 0.05) & (t < 0.95))[:, None] & inside
        beside = ((t < -0.03) | (t > 1.03))[:, None] & inside
        assert covered[on_face].mean() > 0.97
        assert covered[beside].mean() < 0.03
