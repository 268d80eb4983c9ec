import pytest

torch = pytest.importorskip("torch")

from edgeqc.training import strip_looks_areal as areal  # noqa: E402
from edgeqc.training.strip_fields import Batch, turned  # noqa: E402


def test_harmonics_repeat_at_their_lattice():
    torch.manual_seed(1)
    b = Batch(4, 80, 120, "cpu")
    col, row = turned(b, torch.zeros(4, 1, 1))
    u, v = (col / 8).expand(4, 80, 120), (row / 10).expand(4, 80, 120)
    drawn = areal._series(b, u, v, torch.full((4, 1, 1), 0.6))
    assert torch.allclose(drawn[:, :, 8:], drawn[:, :, :-8], atol=1e-3)
    assert torch.allclose(drawn[:, 10:], drawn[:, :-10], atol=1e-3)
    assert (drawn[:, :, 4:] - drawn[:, :, :-4]).abs().mean() > 0.3


def test_a_dragged_edge_runs_on_along_its_lay():
    torch.manual_seed(1)
    b = Batch(8, 160, 400, "cpu")
    _, across = turned(b, torch.zeros(8, 1, 1))
    still = torch.full((8, 1, 1), 0.3)
    drawn = areal._dragged(b, across.expand(8, 160, 400), still, torch.full((8, 1, 1), 4.0))
    assert (drawn.mean(dim=2).square().mean(dim=1) > 0.9).all()  # of a variance of 1


def test_torn_ground_keeps_no_course_from_end_to_end():
    for look in areal.TORN_LOOKS:
        torch.manual_seed(2)
        b = Batch(12, 200, 400, "cpu")
        drawn = look(b)
        kept = (drawn[:, :, :60] * drawn[:, :, -200:-140]).mean(dim=(1, 2))
        assert kept.abs().median() < 0.5


def test_wear_takes_the_peaks_and_leaves_the_valleys():
    torch.manual_seed(1)
    plane = torch.randn(3, 90, 90)
    zero = torch.zeros(3, 1, 1)
    worn = areal.standardised(areal._worn(plane, zero, zero + 1))
    assert (worn.pow(3).mean(dim=(1, 2)) < -0.5).all()  # plateaus: negative skewness
