"""Borders are drawn where textures end, whatever their names; how the zone model learns them."""

import itertools

import numpy as np
import pytest

from edgeqc.zoning.border_moves import BorderEvidence, Moves
from edgeqc.zoning.calibration import _unclaimed
from edgeqc.zoning.partition import (
    PartitionSettings,
    _emissions,
    _step_matrix,
    face_moves,
    partition_face,
)


def odds(border, n_t, *, sure=3.0, none=-6.0):
    """Log-odds of borders as a network sees them: sure at a border in cells, none elsewhere."""
    n_s = border.size
    classes = np.arange(n_t)[:, None] + 0.5 >= border[None, :]
    through = np.where(np.diff(classes, axis=0), sure, none)
    along = np.where(np.diff(classes, axis=1), sure, none)
    assert through.shape == (n_t - 1, n_s)
    return BorderEvidence.of(through.astype(float), along.astype(float))


def test_forward_backward_with_borders_agrees_with_counting_every_path():
    rng = np.random.default_rng(6)
    n_t, n_s = 2, 3
    log_p = np.log(rng.dirichlet(np.ones(3), (n_t, n_s))).transpose(2, 0, 1)
    settings = PartitionSettings(
        evidence_weight=1.0, through_weight=0.7, along_weight=0.4, switch_probability=0.2
    )
    borders = BorderEvidence.of(rng.normal(0, 1, (n_t - 1, n_s)), rng.normal(0, 1, (n_t, n_s - 1)))
    moves = face_moves(n_t, settings, borders)
    found = partition_face(log_p, np.ones((n_t, n_s)), settings, moves=moves)
    emission = _emissions(log_p, np.ones((n_t, n_s)))
    step = np.log(_step_matrix(n_t, settings))
    states = list(itertools.product(range(2), range(n_t + 1)))
    total = np.zeros((n_s, 2, n_t + 1))
    for path in itertools.product(states, repeat=n_s):
        weight = 0.0
        for chord, (kind, border) in enumerate(path):
            weight += emission[chord, kind, border] + 0.7 * borders.through[border, chord]
            if chord:
                before, old = path[chord - 1]
                low, high = sorted((old, border))
                weight += step[old, border] + 0.4 * borders.along[low:high, chord - 1].sum()
                if before == kind:
                    weight += np.log(0.8)
                else:
                    weight += np.log(0.2) + 0.4 * borders.along[border:, chord - 1].sum()
        for chord, (kind, border) in enumerate(path):
            total[chord, kind, border] += np.exp(weight)
    expected = total / total.sum(axis=(1, 2), keepdims=True)
    np.testing.assert_allclose(found.state, expected, rtol=1e-5)


def test_draws_with_borders_follow_the_posterior():
    rng = np.random.default_rng(7)
    n_t, n_s = 20, 40
    log_p = np.log(rng.dirichlet(np.ones(3), (n_t, n_s))).transpose(2, 0, 1)
    borders = BorderEvidence.of(
        rng.normal(-2, 2, (n_t - 1, n_s)), rng.normal(-3, 2, (n_t, n_s - 1))
    )
    settings = PartitionSettings(n_draws=20_000, switch_probability=0.05)
    moves = face_moves(n_t, settings, borders)
    found = partition_face(log_p, np.ones((n_t, n_s)), settings, moves=moves)
    mean = found.state.sum(axis=1) @ np.arange(n_t + 1)
    spread = np.maximum(found.draws.std(axis=0), 0.05)
    z = (found.draws.mean(axis=0) - mean) / spread * np.sqrt(20_000)
    assert np.abs(z).mean() < 2.5  # chords stray together; 0.8 on average
    kinds = found.state[:, 1].sum(axis=1)
    spread = np.sqrt(np.maximum(kinds * (1 - kinds), 1e-3) / 20_000)
    assert np.abs((found.draw_kinds.mean(axis=0) - kinds) / spread).mean() < 2.5


def wavering(n_t, n_s):
    """Names of one and the same texture that tells none: by anatomy laser above, torn below."""
    t = (np.arange(n_t) + 0.5) / n_t
    laser = np.clip(0.9 - 0.6 * t, 0.05, 0.95)
    names = np.stack([laser, 0.1 * (1 - laser), 0.9 * (1 - laser)])
    return np.log(np.repeat(names[:, :, None], n_s, axis=2))


def test_one_texture_is_not_divided_by_its_wavering_names():
    log_p, seen = wavering(60, 200), np.ones((60, 200))
    none = BorderEvidence.of(np.full((59, 200), -6.0), np.full((60, 199), -6.0))
    blind = partition_face(log_p, seen, PartitionSettings())
    found = partition_face(
        log_p, seen, PartitionSettings(), moves=face_moves(60, PartitionSettings(), none)
    )
    assert np.unique(blind.cell.argmax(axis=0)).size > 1
    assert np.unique(found.cell.argmax(axis=0)).size == 1


def test_a_border_that_is_seen_is_drawn_there():
    n_t, n_s = 60, 200
    border = 40 + 6 * np.sin(np.arange(n_s) / 25)
    moves = face_moves(n_t, PartitionSettings(), odds(border, n_t))
    found = partition_face(
        wavering(n_t, n_s), np.ones((n_t, n_s)), PartitionSettings(), moves=moves
    )
    mean = found.state.sum(axis=1) @ np.arange(n_t + 1)
    assert np.abs(mean - border).max() < 1.0


def test_a_stretch_ends_where_its_texture_does():
    # names waver over 30 chords; the end of the texture is seen at one
    n_t, n_s, end = 60, 200, 120
    laser = 1 / (1 + np.exp((np.arange(n_s) - end - 10) / 12.0))
    names = np.stack([0.02 + 0.96 * laser, 0.98 - 0.97 * laser, np.full(n_s, 0.01)])
    log_p = np.log(np.repeat(names[:, None, :], n_t, axis=1))
    along = np.full((n_t, n_s - 1), -6.0)
    along[:, end - 1] = 3.0
    borders = BorderEvidence.of(np.full((n_t - 1, n_s), -6.0), along)
    moves = face_moves(n_t, PartitionSettings(), borders)
    found = partition_face(log_p, np.ones((n_t, n_s)), PartitionSettings(), moves=moves)
    label = found.cell.argmax(axis=0)[n_t // 2]
    assert abs(int((label == 0).sum()) - end) <= 1


def test_moves_without_evidence_are_the_prior():
    step = _step_matrix(5, PartitionSettings())
    flat = BorderEvidence.of(np.zeros((4, 3)), np.zeros((5, 2)))
    message = np.random.default_rng(8).random((1, 2, 6))
    for borders in (None, flat):
        moves = Moves.of(step, 0.01, borders)
        moved = message @ step
        expected = 0.99 * moved + 0.01 * moved[:, ::-1]
        np.testing.assert_allclose(moves.on(message, 1), expected, rtol=1e-6)


def test_borders_seen_where_none_is_drawn_are_counted():
    n_t, n_s = 60, 100
    winner = np.zeros((n_t, n_s), np.intp)
    winner[40:] = 2
    here, elsewhere = odds(np.full(n_s, 40.0), n_t), odds(np.full(n_s, 20.0), n_t)
    assert _unclaimed(winner, here)["unclaimed_through"] < 0.2
    assert _unclaimed(winner, elsewhere)["unclaimed_through"] == pytest.approx(1.0, abs=0.25)
    turned = BorderEvidence.of(elsewhere.along.T, elsewhere.through[1:-1].T)
    # along the face each border is counted at its place and at the two beside it
    assert _unclaimed(winner.T, turned)["unclaimed_along"] == pytest.approx(3.0, abs=0.5)


def test_border_targets_and_loss():
    torch = pytest.importorskip("torch")
    from edgeqc.training.borders import border_loss, border_targets

    classes = torch.tensor([[[0, 0, 1], [0, 0, 1], [2, 3, 255]]])
    border, known = border_targets(classes)
    assert border[0, 1].tolist() == [[0, 1, 0], [0, 1, 0], [1, 1, 0]]
    assert known[0, 0].tolist() == [[1, 1, 1], [1, 0, 0], [0, 0, 0]]
    assert known[0, 1].tolist() == [[1, 1, 0], [1, 1, 0], [0, 0, 0]]
    right = torch.where(border > 0.5, 8.0, -8.0)
    assert float(border_loss(right, classes)) < 0.01
    assert float(border_loss(-right, classes)) > 10
    # what is not known costs nothing
    spoilt = torch.where(known > 0.5, right, -right)
    assert float(border_loss(spoilt, classes)) == pytest.approx(
        float(border_loss(right, classes))
    )
