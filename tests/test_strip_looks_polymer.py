"""Looks of a polymer's failure: sound on every member, and true to what tells the zones apart."""

import pytest

torch = pytest.importorskip("torch")

from edgeqc.training import strip_looks_polymer as polymer  # noqa: E402
from edgeqc.training.strip_fields import Batch  # noqa: E402

LOOKS = (*polymer.LASER_LOOKS, *polymer.SCISSOR_LOOKS, *polymer.TORN_LOOKS)


def _drawn(look, size=4, rows=70, cols=160, seed=3):
    torch.manual_seed(seed)
    return look(Batch(size, rows, cols, "cpu"))


@pytest.mark.parametrize("look", LOOKS, ids=lambda look: look.__name__)
def test_every_look_is_sound(look):
    plane = _drawn(look, size=6)
    assert plane.shape == (6, 70, 160)
    assert plane.dtype == torch.float32
    assert torch.isfinite(plane).all()
    assert (plane.std(dim=(1, 2)) > 0.5).all()
    assert (plane[0] - plane[1]).abs().mean() > 0.1
    assert torch.equal(plane, _drawn(look, size=6))


@pytest.mark.parametrize("look", LOOKS, ids=lambda look: look.__name__)
def test_every_look_is_finite_at_odd_sizes(look):
    for rows, cols in ((61, 100), (160, 101)):
        assert torch.isfinite(_drawn(look, size=3, rows=rows, cols=cols, seed=rows)).all()


def _peak_share(plane):
    """Largest line of the spectrum of fine detail, in multiples of its mean."""
    power = torch.fft.rfft2(plane).abs()[:, :, 3:] ** 2
    return power.amax(dim=(1, 2)) / power.mean(dim=(1, 2))


def _runs_on(plane, apart=60):
    """How like two distant rows are, at the best shift and without coarse form: 1 if equal."""
    rows = plane[:, [30, 30 + apart]]
    rows = torch.fft.rfft(rows - rows.mean(dim=2, keepdim=True))
    rows[:, :, :4] = 0
    shifted = torch.fft.irfft(rows[:, 0].conj() * rows[:, 1])
    power = torch.fft.irfft(rows.abs() ** 2)[:, :, 0]
    return shifted.amax(dim=1) / power.prod(dim=1).sqrt()


def test_laser_filaments_keep_a_programmed_pitch():
    plane = _drawn(polymer.LASER_LOOKS[3], size=24, rows=160, cols=400)
    columns = plane.mean(dim=1, keepdim=True)
    assert _peak_share(columns).median() > 20


def test_a_blade_writes_one_profile_on_where_a_tear_changes_it():
    size = {"size": 24, "rows": 120, "cols": 400}
    blade, torn = (
        torch.stack([_runs_on(_drawn(look, **size)).median() for look in looks])
        for looks in (polymer.SCISSOR_LOOKS, polymer.TORN_LOOKS)
    )
    assert blade.mean() > torn.mean() + 0.1


def test_torn_lamellae_run_together_as_the_front_travels():
    torch.manual_seed(5)
    b = Batch(3, 60, 400, "cpu")
    x = torch.arange(400.0)[None, None].expand(3, 60, 400) / 4
    time = torch.linspace(0.5, 70, 60)[None, :, None].expand(3, 60, 400)
    _, _, number = polymer._overtaken(b, x, time)
    steps = (torch.diff(number, dim=2) != 0).sum(dim=2)
    assert (steps[:, -1] < 0.5 * steps[:, 0]).all()
