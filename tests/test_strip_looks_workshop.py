import pytest

torch = pytest.importorskip("torch")

from edgeqc.training import strip_looks_workshop as workshop  # noqa: E402
from edgeqc.training.strip_fields import Batch, turned  # noqa: E402


def test_pulses_without_jitter_lie_on_their_lattice():
    torch.manual_seed(1)
    b = Batch(2, 80, 120, "cpu")
    along, across = turned(b, torch.zeros(2, 1, 1))
    zero = torch.zeros(2, 1, 1)
    shots = list(workshop._shots(b, along / 8, across / 8, zero, zero))
    nearest = torch.stack([torch.hypot(u, v) for u, v, _, _ in shots]).amin(dim=0)
    assert len(shots) == 9
    assert torch.allclose(nearest[:, ::8, 4::8], zero, atol=1e-5)  # on the places themselves
    assert (nearest <= 0.5**0.5 + 1e-5).all()


def test_the_marks_of_a_blade_run_on():
    torch.manual_seed(1)
    b = Batch(8, 160, 400, "cpu")
    _, across = turned(b, torch.zeros(8, 1, 1))
    drawn = workshop._drag(b, across.expand(8, 160, 400), torch.zeros(8, 1, 1))
    kept = drawn.mean(dim=2).square().mean(dim=1)  # of a variance of 1
    assert (kept > 0.6).all()


def test_rivers_join_downstream():
    torch.manual_seed(1)
    b = Batch(6, 400, 240, "cpu")
    col, row = turned(b, torch.zeros(6, 1, 1))
    stage = (col / 60 + 2).expand(6, 400, 240)  # four joinings from left to right
    ridge, _ = workshop._rivers(b, stage, (row / 6).expand(6, 400, 240), torch.full((6, 1, 1), 0.1))
    crest = (ridge[:, 1:-1] > ridge[:, :-2]) & (ridge[:, 1:-1] >= ridge[:, 2:])
    count = (crest & (ridge[:, 1:-1] > 0.03)).sum(dim=1).float()
    assert (count[:, 5:25].mean(dim=1) > 4 * count[:, -25:-5].mean(dim=1)).all()
