"""Torn looks of soft, wet, layered and brittle bodies."""

from __future__ import annotations

import pytest

torch = pytest.importorskip("torch")

from edgeqc.training.strip_fields import Batch  # noqa: E402
from edgeqc.training.strip_looks_tear import TEAR_LOOKS, mirror_stepped  # noqa: E402


def _drawn(look, seed=5, rows=96, cols=224, size=4):
    torch.manual_seed(seed)
    return look(Batch(size, rows, cols, "cpu"))


@pytest.mark.parametrize("look", TEAR_LOOKS, ids=lambda look: look.__name__)
def test_looks_are_finite_varied_and_repeatable(look):
    first = _drawn(look)
    assert first.shape == (4, 96, 224)
    assert first.dtype == torch.float32
    assert torch.isfinite(first).all()
    assert (first.std(dim=(1, 2)) > 0.3).all()
    assert (first[0] - first[1]).abs().mean() > 0.1
    assert torch.equal(first, _drawn(look))
    for rows, cols in ((60, 100), (300, 120)):
        assert torch.isfinite(_drawn(look, seed=rows, rows=rows, cols=cols, size=6)).all()


def _straightness(relief):
    """Return the largest share of the detail's power that lies within 3 degrees of a direction."""
    side = relief.shape[-1]
    window = torch.hann_window(side)
    detail = relief - torch.nn.functional.avg_pool2d(relief[:, None], 31, 1, 15)[:, 0]
    power = torch.fft.fft2(detail * window * window[:, None]).abs() ** 2
    f = torch.fft.fftfreq(side)
    angle = torch.atan2(f[:, None].expand(side, side), f[None, :].expand(side, side)) % torch.pi
    wedge = (angle / torch.pi * 60).long().clamp(max=59)
    share = torch.stack([power[:, wedge == k].sum(1) for k in range(60)]) / power.sum((1, 2))
    return share.amax(0)


def test_a_blades_lines_are_straight():
    torch.manual_seed(1)
    at = torch.arange(160.0)
    drawn = torch.randn(1, 1, 400)[:, :, (at[:, None] + 0.5 * at[None, :]).long()][:, 0]
    assert _straightness(drawn) > 0.45


@pytest.mark.parametrize("look", TEAR_LOOKS, ids=lambda look: look.__name__)
def test_no_line_runs_straight_on_through_the_strip(look):
    straight = _straightness(_drawn(look, seed=9, rows=160, cols=160, size=12))
    assert straight.median() < 0.15
    assert straight.max() < 0.4


def test_mirror_is_mostly_featureless():
    relief = _drawn(mirror_stepped, seed=3, rows=160, cols=400, size=16)
    slope = relief.diff(dim=2).abs().flatten(1)
    assert (slope.median(1).values < 0.6 * slope.mean(1)).float().mean() > 0.6
