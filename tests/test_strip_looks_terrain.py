"""Looks taken from land and broken rock: numbers, variety, and the geometry that names each."""

import pytest

torch = pytest.importorskip("torch")

from edgeqc.training.strip_fields import Batch  # noqa: E402
from edgeqc.training.strip_looks_terrain import (  # noqa: E402
    LASER_LOOKS,
    SCISSOR_LOOKS,
    TORN_LOOKS,
    _courses,
    drawn_striae,
    run_together_passes,
)

LOOKS = (*LASER_LOOKS, *SCISSOR_LOOKS, *TORN_LOOKS)


def _drawn(look, rows=70, cols=140, size=4, seed=3):
    torch.manual_seed(seed)
    return look(Batch(size, rows, cols, "cpu"))


@pytest.mark.parametrize("look", LOOKS, ids=lambda look: look.__name__)
def test_a_look_is_finite_varied_and_repeatable(look):
    for seed, rows, cols in ((3, 70, 140), (4, 61, 101), (5, 130, 700)):
        relief = _drawn(look, rows, cols, seed=seed)
        assert relief.shape == (4, rows, cols)
        assert relief.dtype == torch.float32
        assert torch.isfinite(relief).all()
        spread = relief.std(dim=(1, 2))
        assert ((spread > 0.8) & (spread < 1.2)).all()
        assert (relief[0] - relief[1]).abs().mean() > 0.1
    assert torch.equal(_drawn(look), _drawn(look))


def _one_way(relief):
    """Share of the gradients' power across the direction in which a relief runs most."""
    down, along = relief[:, 1:, :-1] - relief[:, :-1, :-1], relief[:, :-1, 1:] - relief[:, :-1, :-1]
    a, c = (down**2).mean(dim=(1, 2)), (along**2).mean(dim=(1, 2))
    d = (down * along).mean(dim=(1, 2))
    return torch.sqrt((a - c) ** 2 + 4 * d * d) / (a + c)


def test_what_an_edge_draws_runs_one_way_and_what_a_raster_leaves_does_not():
    striae = _one_way(_drawn(drawn_striae, 160, 200, 16)).median()
    shots = _one_way(_drawn(LASER_LOOKS[0], 160, 200, 16)).median()
    assert striae > shots + 0.2


def test_shots_repeat_along_a_pass():
    relief = _drawn(run_together_passes, 160, 240, 12)
    power = torch.fft.rfft2(relief).abs() ** 2
    power[:, :2, :2] = 0
    power[:, -1:, :2] = 0
    assert (power.amax(dim=(1, 2)) / power.mean(dim=(1, 2))).median() > 100


def test_rivers_join_downstream_and_never_part():
    torch.manual_seed(1)
    course = _courses(Batch(3, 80, 200, "cpu"), torch.full((3, 1, 1), 5.0))
    order = course.permute(1, 2, 0)
    gap = (order[:, :, :, None] - order[:, :, None, :]).abs()
    joined = gap < 1e-3
    assert (joined[:, 1:] | ~joined[:, :-1]).float().mean() > 0.999
    assert joined[:, -1].float().mean() > 2 * joined[:, 0].float().mean()
