from __future__ import annotations

import pytest

torch = pytest.importorskip("torch")

from edgeqc.training.strip_fields import Batch, standardised  # noqa: E402
from edgeqc.training.strip_looks_observed import (  # noqa: E402
    OBSERVED_LASER,
    OBSERVED_SCISSOR,
    OBSERVED_TORN,
    _chatter,
    _curtains,
    _drawn,
    _mottle,
    _mouths,
    _rivers,
    _strands,
)

LOOKS = (*OBSERVED_LASER, *OBSERVED_SCISSOR, *OBSERVED_TORN)


def _power(look, size: int = 6):
    """Return the power spectrum of members, without the mean and the slowest waves."""
    torch.manual_seed(7)
    plane = standardised(look(Batch(size, 128, 128, "cpu")))
    power = torch.fft.fft2(plane).abs().square()
    at = torch.fft.fftfreq(128) * 128
    radius = torch.hypot(at[:, None], at[None, :])
    return power * (radius > 3), at


def _along_one_direction(look) -> float:
    """Return how far the spectrum keeps to one direction: 0 any, 1 one only."""
    power, at = _power(look)
    angle = 2 * torch.atan2(at[:, None], at[None, :])
    wave = (power * torch.exp(1j * angle)).sum(dim=(1, 2)).abs() / power.sum(dim=(1, 2))
    return float(wave.mean())


@pytest.mark.parametrize("look", LOOKS, ids=lambda look: look.__name__)
@pytest.mark.parametrize("shape", [(60, 100), (130, 333)])
def test_looks_are_finite_varied_and_the_same_for_a_seed(look, shape):
    batch = Batch(3, *shape, "cpu")
    torch.manual_seed(3)
    plane = look(batch)
    torch.manual_seed(3)
    assert torch.equal(plane, look(batch))
    assert plane.shape == (3, *shape)
    assert plane.dtype == torch.float32
    assert bool(torch.isfinite(plane).all())
    assert bool((plane.std(dim=(1, 2)) > 0.5).all())
    assert float((plane[0] - plane[1]).abs().mean()) > 0.1


@pytest.mark.parametrize("look", [_mouths, _curtains, _mottle])
def test_laser_looks_repeat(look):
    """A few waves hold far more of the power than in the same spectrum without a lattice."""
    power, _ = _power(look)
    share = power.flatten(1).topk(40).values.sum(dim=1) / power.sum(dim=(1, 2))
    assert float(share.median()) > 0.3


def test_drawn_lines_run_on_in_one_direction():
    assert _along_one_direction(_drawn) > 0.5


def test_chatter_crosses_the_stroke():
    assert _along_one_direction(_chatter) < _along_one_direction(_drawn)


@pytest.mark.parametrize("look", [_rivers, _strands])
def test_torn_looks_follow_the_pull_but_less_strictly_than_an_edge(look):
    assert 0.1 < _along_one_direction(look) < _along_one_direction(_drawn)
