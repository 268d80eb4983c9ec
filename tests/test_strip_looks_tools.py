"""Looks of blade and beam by a second author: sound fields, and the physics they claim."""

import math

import pytest

torch = pytest.importorskip("torch")

from edgeqc.training import strip_looks_beam as beam  # noqa: E402
from edgeqc.training import strip_looks_blade as blade  # noqa: E402
from edgeqc.training.strip_fields import Batch, blur, noise  # noqa: E402

LOOKS = (*blade.BLADE_LOOKS, *beam.BEAM_LOOKS)
ROWS, COLS = 128, 256


def drawn(look, seed, size=4, rows=ROWS, cols=COLS):
    torch.manual_seed(seed)
    return look(Batch(size, rows, cols, "cpu"))


def gradients(plane, sigma):
    smooth = blur(plane, sigma)[:, 8:-8, 8:-8]  # the blur is periodic, the plane is not
    row = smooth[:, 2:, 1:-1] - smooth[:, :-2, 1:-1]
    col = smooth[:, 1:-1, 2:] - smooth[:, 1:-1, :-2]
    return row, col


def doubled(plane, sigma):
    """Doubled-angle vector of the whole field's gradients, as a share of their power."""
    row, col = gradients(plane, sigma)
    power = (row**2 + col**2).mean(dim=(1, 2))
    even = (col**2 - row**2).mean(dim=(1, 2)) / power
    mixed = (2 * row * col).mean(dim=(1, 2)) / power
    return even, mixed


def coherence(plane):
    return torch.stack([torch.hypot(*doubled(plane, s)) for s in (1.0, 2.0, 4.0)]).amax(dim=0)


@pytest.mark.parametrize("look", LOOKS, ids=lambda look: look.__name__)
def test_a_look_is_a_sound_field_of_its_seed(look):
    for rows, cols in ((ROWS, COLS), (96, 320)):
        plane = drawn(look, 31, rows=rows, cols=cols)
        assert plane.shape == (4, rows, cols)
        assert plane.dtype == torch.float32
        assert torch.isfinite(plane).all()
        assert (plane.std(dim=(1, 2)) > 0.5).all()
        assert torch.equal(plane, drawn(look, 31, rows=rows, cols=cols))
    assert not torch.equal(plane, drawn(look, 32, rows=96, cols=320))
    for first in range(4):
        for second in range(first):
            assert (plane[first] - plane[second]).abs().mean() > 0.1


@pytest.mark.parametrize("look", LOOKS, ids=lambda look: look.__name__)
def test_a_look_stays_on_its_device(look):
    # operations between the meta device and the processor raise, as with a graphics card
    plane = look(Batch(2, 64, 128, "meta"))
    assert plane.device.type == "meta"
    assert plane.shape == (2, 64, 128)


def test_lines_of_a_blade_keep_their_direction():
    # measured (seeds 5, 6 and 11, 16 members a look): medians 0.92, 0.94 and 0.92, the lowest
    # look's 0.61 (steps square to the lines take from it); isotropic noise of all scales 0.08
    # to 0.09, nine in ten below 0.18
    each = [coherence(drawn(look, 77, size=16)) for look in blade.BLADE_LOOKS]
    torch.manual_seed(77)
    b = Batch(64, ROWS, COLS, "cpu")
    plain = coherence(noise(b, b.log_uniform(0.5, 40), exponent=b.uniform(0.2, 2))).median()
    assert plain < 0.2
    assert torch.cat(each).median() > 0.8
    for look, values in zip(blade.BLADE_LOOKS, each, strict=True):
        assert values.median() > max(0.4, 3 * float(plain)), look.__name__


def test_drag_lines_run_along_their_stroke():
    torch.manual_seed(3)
    b = Batch(24, ROWS, COLS, "cpu")
    angle = b.uniform(-math.pi, math.pi)
    even, mixed = doubled(blade._dragged(b, blade._stroke(b, angle)), 1.0)
    # gradients stand square to the lines
    found = torch.atan2(mixed, even) / 2 + math.pi / 2
    off = torch.remainder(found - angle[:, 0, 0] + math.pi / 2, math.pi) - math.pi / 2
    assert off.abs().median() < math.radians(4)
    assert off.abs().max() < math.radians(20)


def power_at(plane, f_row, f_col):
    """Power of a plane, Hann-windowed, at one frequency per sample."""
    window = torch.hann_window(ROWS)[:, None] * torch.hann_window(COLS)[None, :]
    row, col = torch.meshgrid(torch.arange(ROWS), torch.arange(COLS), indexing="ij")
    wave = torch.exp(-2j * math.pi * (f_row * row + f_col * col))
    field = (plane - plane.mean(dim=(1, 2), keepdim=True)) * window
    return (field * wave).sum(dim=(1, 2)).abs() ** 2


def lattice_power(angle, stagger, jitter, *, order, seed=9):
    """Power of pits 8 by 12 samples apart at an order of their lattice, over that beside it."""
    torch.manual_seed(seed)
    b = Batch(8, ROWS, COLS, "cpu")
    one = torch.ones(8, 1, 1)
    scan = beam.scan_at(b, angle * one, 8 * one, 12 * one, stagger=stagger, jitter=jitter,
                        missing=0.1 * one)  # fmt: skip
    plane = beam.pitted(b, scan, 4 * one)

    def power(along, across):
        f_col = along / 8 * math.cos(angle) - across / 12 * math.sin(angle)
        f_row = along / 8 * math.sin(angle) + across / 12 * math.cos(angle)
        return power_at(plane, f_row, f_col)

    # between the orders of either lattice, three and more lobes of the window away
    beside = torch.stack([
        power(order[0] + off, order[1] + side) for off in (-0.4, 0.4) for side in (-0.25, 0.25)
    ])  # fmt: skip
    return float((power(*order) / beside.mean(dim=0)).median())


@pytest.mark.parametrize("angle", [0.0, 0.5, -1.2, math.pi / 2])
@pytest.mark.parametrize("order", [(1, 0), (0, 1), (1, 1)])
def test_pits_peak_where_their_lattice_says(angle, order):
    # measured: 112 and more with this seed, 44 and more with two others
    assert lattice_power(angle, 0.0, 0.1, order=order) > 30


@pytest.mark.parametrize("angle", [0.0, 0.7])
def test_a_staggered_lattice_has_its_peaks_between(angle):
    assert lattice_power(angle, 0.5, 0.05, order=(1, 0.5)) > 30
    assert lattice_power(angle, 0.5, 0.05, order=(1, 0)) < 10


def test_displaced_spots_lose_the_lattice():
    # spread evenly over a whole period, their first order is nought
    kept = lattice_power(0.3, 0.0, 0.05, order=(1, 0))
    lost = lattice_power(0.3, 0.0, 0.5, order=(1, 0))
    assert lost < kept / 10


def test_spots_fail_as_often_as_told():
    torch.manual_seed(4)
    b = Batch(4, ROWS, COLS, "cpu")
    one = torch.ones(4, 1, 1)
    scan = beam.scan_at(b, 0 * one, 8 * one, 8 * one, missing=0.3 * one)
    nearest = torch.stack(
        [torch.hypot(spot.along, spot.across) for spot in scan.near()]
    ).amin(dim=0)  # fmt: skip
    there = float((nearest[:, ::8, ::8] < 4).float().mean())
    assert there == pytest.approx(0.7, abs=0.06)  # 2048 spots: 0.01
