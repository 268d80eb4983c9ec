"""The ordered partition and the second estimator, against labels that were drawn."""

import numpy as np
import pytest
import skimage.data

from edgeqc.faces.face import CutFace
from edgeqc.imaging.image import CalibratedImage, ImageSource
from edgeqc.measure.cut_depth import nine_point_average
from edgeqc.zoning.border_moves import BorderEvidence
from edgeqc.zoning.contrast import bhattacharyya, contrast_partition, texture_planes
from edgeqc.zoning.partition import PartitionSettings, face_moves, partition_face
from edgeqc.zoning.texture import MARGIN, ROWS, face_planes


def drawn(border, n_t=60, scissor_from=None):
    """Classes 0 laser, 1 scissor, 2 torn on a grid, from a border in cells."""
    below = np.arange(n_t)[:, None] + 0.5 >= border[None, :]
    classes = np.where(below, 2, 0)
    if scissor_from is not None:
        classes[:, scissor_from:] = 1
    return classes


def log_probability(classes, rng, confusion=1.0):
    noisy = (np.arange(3)[:, None, None] == classes) * 2.0
    noisy = noisy + rng.normal(0, confusion, (3, *classes.shape))
    return noisy - np.log(np.exp(noisy).sum(axis=0))


@pytest.mark.parametrize("depth", [0.0, 0.3, 0.85, 1.0])
def test_a_level_border_is_found_to_a_tenth_of_a_cell(depth):
    rng = np.random.default_rng(1)
    classes = drawn(np.full(200, depth * 60))
    seen = np.where(np.diff(classes, axis=0) != 0, 0.0, -6.0)  # no border is more than likely
    borders = BorderEvidence.of(seen, np.full((60, 199), -6.0))
    moves = face_moves(60, PartitionSettings(), borders)
    found = partition_face(
        log_probability(classes, rng), np.ones((60, 200)), PartitionSettings(), moves=moves
    )
    border = found.state.sum(axis=1) @ np.arange(61) / 60
    assert abs(border.mean() - depth) < 0.1 / 60 + 0.004
    assert (found.cell.argmax(axis=0) == classes).mean() > 0.995


def test_posteriors_are_probabilities_and_draws_follow_them():
    rng = np.random.default_rng(2)
    border = 40 + np.cumsum(rng.normal(0, 0.3, 300))
    classes = drawn(border)
    settings = PartitionSettings(n_draws=400)
    found = partition_face(log_probability(classes, rng, 3.0), np.ones((60, 300)), settings)
    np.testing.assert_allclose(found.state.sum(axis=(1, 2)), 1.0, rtol=1e-9)
    np.testing.assert_allclose(found.cell.sum(axis=0), 1.0, rtol=1e-9)
    mean = found.state.sum(axis=1) @ np.arange(61)
    spread = found.draws.std(axis=0)
    # the draws' mean differs from the exact mean by chance only
    z = (found.draws.mean(axis=0) - mean) / np.maximum(spread, 0.1) * np.sqrt(400)
    assert np.abs(z).mean() < 1.2


def test_forward_backward_agrees_with_counting_every_path():
    # two chords and two cells: all (2 kinds × 3 borders)² = 36 paths can be written down
    rng = np.random.default_rng(3)
    log_p = np.log(rng.dirichlet(np.ones(3), (2, 2))).transpose(2, 0, 1)
    settings = PartitionSettings(evidence_weight=1.0)
    found = partition_face(log_p, np.ones((2, 2)), settings)
    from edgeqc.zoning.partition import _emissions, _step_matrix

    emission = np.exp(_emissions(log_p, np.ones((2, 2))))
    step = _step_matrix(2, settings)
    switch = np.full((2, 2), settings.switch_probability)
    np.fill_diagonal(switch, 1 - settings.switch_probability)
    joint = np.einsum("ka,kl,ab,lb->kalb", emission[0], switch, step, emission[1])
    joint /= joint.sum()
    np.testing.assert_allclose(found.state[0], joint.sum(axis=(2, 3)), rtol=1e-9)
    np.testing.assert_allclose(found.state[1], joint.sum(axis=(0, 1)), rtol=1e-9)


def test_a_scissor_stretch_beside_a_laser_part():
    rng = np.random.default_rng(4)
    classes = drawn(np.full(240, 45.0), scissor_from=170)
    found = partition_face(log_probability(classes, rng), np.ones((60, 240)), PartitionSettings())
    assert (found.cell.argmax(axis=0) == classes).mean() > 0.99


def test_hidden_cells_say_nothing():
    rng = np.random.default_rng(5)
    classes = drawn(np.full(100, 30.0))
    log_p = log_probability(classes, rng)
    weight = np.ones((60, 100))
    weight[:, 40:60] = 0
    upset = log_p.copy()
    upset[:, :, 40:60] = log_p[::-1, :, 40:60]
    first = partition_face(log_p, weight, PartitionSettings())
    second = partition_face(upset, weight, PartitionSettings())
    np.testing.assert_allclose(first.cell, second.cell, atol=1e-12)


def test_bhattacharyya_of_equal_and_of_shifted_gaussians():
    # Gaussian case of IEEE Trans. Commun. Technol. 1967, 15:52: equal covariance gives d²/8
    one = (np.zeros(2), np.eye(2))
    other = (np.array([2.0, 0.0]), np.eye(2))
    assert bhattacharyya(one, one) == pytest.approx(0.0, abs=1e-12)
    assert bhattacharyya(one, other) == pytest.approx(0.5)


def plate_face(rows, cols, margin=40):
    """A straight plate that runs across the whole picture."""
    s_px = np.arange(cols, dtype=float)
    top = np.stack([np.full(cols, float(margin)), s_px], axis=1)
    bottom = np.stack([np.full(cols, rows - margin - 1.0), s_px], axis=1)
    return CutFace(
        1, np.vstack([top, bottom[::-1]]), top, bottom, s_px, np.ones(cols, bool),
        "top", "sheet", 0.3,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("first", "second"), [("brick", "grass"), ("grass", "gravel"), ("brick", "gravel")]
)
def test_second_estimator_on_natural_textures(first, second):
    # photographs carried by scikit-image (data: brick, grass, gravel; 512 × 512)
    upper = getattr(skimage.data, first)() / 255.0
    lower = getattr(skimage.data, second)() / 255.0
    pixels = np.where(np.arange(512)[:, None] < 300, upper, lower).astype(np.float32)
    image = CalibratedImage(
        pixels, np.ones(pixels.shape, bool), None, 0.0, "none", 0.0, 0.0, 0.0, ImageSource("t")
    )
    made = face_planes(image, plate_face(512, 512), anterior_known=True)
    edge = round(MARGIN / (1 + 2 * MARGIN) * ROWS)
    found = contrast_partition(texture_planes(made, slice(edge, ROWS - edge)))
    assert abs(found.depth.mean() - (300 - 40) / (512 - 80)) < 0.05


def test_nine_points_weigh_the_ends_half():
    assert nine_point_average(np.full(50, 0.7)) == pytest.approx(0.7)
    assert nine_point_average(np.linspace(0, 1, 81)) == pytest.approx(0.5)
    peak = np.zeros(81)
    peak[0] = 1.0
    assert nine_point_average(peak) == pytest.approx(1 / 16)
