import pytest

torch = pytest.importorskip("torch")

from edgeqc.training import strip_looks_explants as explants  # noqa: E402
from edgeqc.training.strip_fields import Batch, turned  # noqa: E402


def test_pulses_without_jitter_lie_on_programmed_lines():
    torch.manual_seed(1)
    b = Batch(4, 96, 160, "cpu")
    at = torch.zeros(4, 1, 1)
    pulses = explants._sown(b, at, at + 5, at + 8, at)
    met = (pulses > 0).float().mean(dim=2)
    on_line = (torch.arange(96) - 48) % 8 == 0
    assert (met[:, on_line] > 0.1).all()
    assert (met[:, ~on_line] == 0).all()


def test_the_marks_of_a_blade_run_on():
    torch.manual_seed(1)
    b = Batch(4, 160, 400, "cpu")
    _, across = turned(b, torch.zeros(4, 1, 1))
    drawn = explants._combed(b, across.expand(4, 160, 400), torch.full((4, 1, 1), 3.0))
    assert torch.equal(drawn, drawn[:, :, :1].expand_as(drawn))
    assert (drawn.std(dim=1) > 0.3).all()


def _common_direction(relief):
    """Return how far the slopes share a direction: 0 not at all, 1 wholly."""
    down = (relief[:, 2:, 1:-1] - relief[:, :-2, 1:-1]).flatten(1)
    along = (relief[:, 1:-1, 2:] - relief[:, 1:-1, :-2]).flatten(1)
    apart = (down**2 - along**2).mean(dim=1)
    mixed = 2 * (down * along).mean(dim=1)
    return torch.hypot(apart, mixed) / (down**2 + along**2).mean(dim=1)


def test_drag_has_a_common_direction_and_a_matte_tear_hardly_any():
    torch.manual_seed(1)
    b = Batch(16, 200, 300, "cpu")
    dragged = _common_direction(explants.lapped_smears(b)).median()
    assert dragged > 2 * _common_direction(explants.matte_ground(b)).median()
    assert dragged > 2 * _common_direction(explants.strings(b)).median()
