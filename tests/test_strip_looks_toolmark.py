"""Looks of toolmarks, torn edges and laser lattices: finite, varied, and each true to its kind."""

import pytest

torch = pytest.importorskip("torch")

from edgeqc.training import strip_looks_toolmark as toolmark  # noqa: E402
from edgeqc.training.strip_fields import Batch  # noqa: E402

LOOKS = toolmark.LASER_LOOKS + toolmark.SCISSOR_LOOKS + toolmark.TORN_LOOKS


def _drawn(look, seed=3, size=4, rows=90, cols=200):
    torch.manual_seed(seed)
    return look(Batch(size, rows, cols, "cpu"))


def _longest_line(plane):
    """Largest part of a plane's power that lies within one narrow sector of directions."""
    power = torch.fft.fftshift(torch.fft.fft2(plane).abs() ** 2)
    rows, cols = plane.shape[-2:]
    f_row = torch.fft.fftshift(torch.fft.fftfreq(rows))[:, None]
    f_col = torch.fft.fftshift(torch.fft.fftfreq(cols))[None, :]
    fine = (f_row**2 + f_col**2) > (2.5 / rows) ** 2
    sector = (torch.atan2(f_row, f_col.expand(rows, cols)) % torch.pi / torch.pi * 36).long() % 36
    shares = torch.stack([(power * (fine & (sector == k))).sum(dim=(1, 2)) for k in range(36)])
    return (shares / shares.sum(dim=0)).max(dim=0).values


@pytest.mark.parametrize("look", LOOKS, ids=lambda look: look.__name__)
def test_looks_are_finite_varied_and_repeatable(look):
    relief = _drawn(look)
    assert relief.shape == (4, 90, 200)
    assert relief.dtype == torch.float32
    assert torch.isfinite(relief).all()
    assert (relief.std(dim=(1, 2)) > 0.5).all()
    assert (relief[0] - relief[1]).abs().mean() > 0.1
    assert torch.equal(relief, _drawn(look))


@pytest.mark.parametrize(("rows", "cols"), [(60, 100), (61, 333), (300, 180)])
def test_looks_fill_strips_of_any_size(rows, cols):
    for look in LOOKS:
        assert torch.isfinite(_drawn(look, rows=rows, cols=cols, size=2)).all()


def _rhythm(planes):
    """How far the spectrum's highest peak stands out of what lies about it."""
    power = torch.fft.fftshift(torch.fft.fft2(planes).abs() ** 2, dim=(1, 2))
    power[:, 76:85, 196:205] = 0
    about = torch.nn.functional.avg_pool2d(power[:, None], 21, 1, 10)[:, 0]
    return (power / (about + 1e-3 * power.mean(dim=(1, 2), keepdim=True))).amax(dim=(1, 2))


def test_a_program_placed_the_pulses_and_none_the_tears():
    """Some rhythm stands out of most members' spectra, and of no torn look's."""
    size = {"size": 12, "rows": 160, "cols": 400}
    torn = max(_rhythm(_drawn(look, **size)).median() for look in toolmark.TORN_LOOKS)
    for look in toolmark.LASER_LOOKS:
        assert _rhythm(_drawn(look, **size)).median() > torn, look.__name__


def test_a_stroke_runs_on_and_a_crack_wanders():
    """A signature's power lies in one direction; fractured faces spread theirs."""
    stroke = _longest_line(_drawn(toolmark.drawn_signature, size=16, rows=160, cols=200))
    for look in toolmark.TORN_LOOKS:
        torn = _longest_line(_drawn(look, size=16, rows=160, cols=200))
        assert torn.median() < stroke.median()
