"""Looks grown by small simulations: sound, varied, and true to what their zone's name says."""

import pytest

torch = pytest.importorskip("torch")

from edgeqc.training.strip_fields import Batch  # noqa: E402
from edgeqc.training.strip_looks_grown import GROWN_LASER, GROWN_SCISSOR, GROWN_TORN  # noqa: E402

LOOKS = GROWN_LASER + GROWN_SCISSOR + GROWN_TORN


def _drawn(look, size=4, seed=3, rows=160, cols=400):
    torch.manual_seed(seed)
    return look(Batch(size, rows, cols, "cpu"))


def _power(plane):
    """Power over frequencies, the slowest change of height taken away."""
    rows, cols = plane.shape[-2:]
    window = torch.hann_window(rows)[:, None] * torch.hann_window(cols)[None, :]
    power = torch.fft.fft2((plane - plane.mean(dim=(1, 2), keepdim=True)) * window).abs() ** 2
    f = torch.hypot(torch.fft.fftfreq(rows)[:, None], torch.fft.fftfreq(cols)[None, :])
    return power * (f > 0.03), f


def _along_one_line(plane):
    """Share of the power near the one direction in the spectrum that holds most."""
    power, _ = _power(plane)
    rows, cols = plane.shape[-2:]
    turn = torch.atan2(*torch.broadcast_tensors(torch.fft.fftfreq(rows)[:, None],
                                                torch.fft.fftfreq(cols)[None, :]))  # fmt: skip
    index = ((turn % torch.pi) / torch.pi * 36).long().clamp(max=35).flatten()
    held = torch.zeros(len(plane), 36).index_add_(1, index, power.flatten(1))
    return (held + held.roll(1, 1) + held.roll(-1, 1)).amax(dim=1) / held.sum(dim=1)


def _peak(plane):
    """Highest power of one frequency over the mean power of those about as high."""
    power, f = _power(plane)
    ring = (f * 60).long().flatten()
    count = torch.bincount(ring, minlength=64)[None, :].clamp(min=1)
    held = torch.zeros(len(plane), 64).index_add_(1, ring, power.flatten(1)) / count
    return (power.flatten(1) / (held[:, ring] + 1e-9)).amax(dim=1)


@pytest.mark.parametrize("look", LOOKS, ids=lambda look: look.__name__)
def test_looks_are_sound_and_their_members_differ(look):
    for seed, (rows, cols) in enumerate(((160, 400), (61, 103), (224, 130))):
        plane = _drawn(look, seed=seed, rows=rows, cols=cols)
        assert plane.shape == (4, rows, cols)
        assert plane.dtype == torch.float32
        assert torch.isfinite(plane).all()
        assert plane.std(dim=(1, 2)).min() > 0.3
        assert plane.std(dim=(1, 2)).max() < 3
        assert (plane[0] - plane[1]).abs().mean() > 0.1


@pytest.mark.parametrize("look", LOOKS, ids=lambda look: look.__name__)
def test_looks_come_again_with_the_seed(look):
    assert torch.equal(_drawn(look, 2), _drawn(look, 2))


def test_blades_leave_one_direction_and_tears_do_not():
    blade = torch.cat([_along_one_line(_drawn(look, 8)) for look in GROWN_SCISSOR])
    torn = torch.cat([_along_one_line(_drawn(look, 8)) for look in GROWN_TORN])
    assert blade.median() > torn.median() + 0.2


def test_pulses_leave_a_lattice_and_tears_do_not():
    laser = torch.cat([_peak(_drawn(look, 8)) for look in GROWN_LASER])
    torn = torch.cat([_peak(_drawn(look, 8)) for look in GROWN_TORN])
    assert laser.median() > 1.5 * torn.median()
