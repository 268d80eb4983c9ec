"""Looks of scissor and blade cuts as tool marks: sound, varied, and drawn along one direction."""

import pytest

torch = pytest.importorskip("torch")

from edgeqc.training.strip_fields import Batch, standardised  # noqa: E402
from edgeqc.training.strip_looks_shear import SHEAR_LOOKS, faint_marks  # noqa: E402

STRIP = Batch(6, 96, 160, "cpu")


def _drawn(look, seed=5, batch=STRIP):
    torch.manual_seed(seed)
    return look(batch)


def _name(look):
    return look.__name__


def _one_way(relief):
    """Coherence of the slopes' directions, 0 to 1, of members smoothed a little."""
    smooth = torch.nn.functional.avg_pool2d(relief[:, None], 3, 1)[:, 0]
    down = (smooth[:, 2:, 1:-1] - smooth[:, :-2, 1:-1]) / 2
    along = (smooth[:, 1:-1, 2:] - smooth[:, 1:-1, :-2]) / 2
    dd, aa, da = ((x * y).mean((1, 2)) for x, y in ((down, down), (along, along), (down, along)))
    return torch.sqrt((dd - aa) ** 2 + 4 * da**2) / (dd + aa)


@pytest.mark.parametrize("look", SHEAR_LOOKS, ids=_name)
def test_looks_are_finite_varied_and_repeatable(look):
    relief = _drawn(look)
    assert relief.shape == (6, 96, 160)
    assert relief.dtype == torch.float32
    assert torch.isfinite(relief).all()
    assert (relief.std(dim=(1, 2)) > 0.5).all()
    assert len({round(float(m), 5) for m in relief[:, 40, 80]}) == 6
    assert torch.equal(relief, _drawn(look))
    assert not torch.equal(relief, _drawn(look, 6))


@pytest.mark.parametrize("look", SHEAR_LOOKS, ids=_name)
def test_any_size_of_strip(look):
    for rows, cols in ((60, 100), (333, 1499)):
        assert torch.isfinite(_drawn(look, 1, Batch(1, rows, cols, "cpu"))).all()


@pytest.mark.parametrize("look", SHEAR_LOOKS, ids=_name)
def test_marks_run_one_way(look):
    coherence = torch.cat([_one_way(_drawn(look, seed)) for seed in range(6)])
    chaos = _one_way(standardised(torch.randn(36, 96, 160)))
    assert coherence.median() > 4 * chaos.median()


def test_faint_marks_lie_in_stronger_grain():
    slopes = torch.cat([torch.diff(_drawn(faint_marks, seed), dim=1) for seed in range(4)])
    neighbours = (slopes[:, 1:] * slopes[:, :-1]).mean((1, 2)) / (slopes**2).mean((1, 2))
    assert neighbours.median() < 0.5  # slopes of the grain, not of the lines, lead
