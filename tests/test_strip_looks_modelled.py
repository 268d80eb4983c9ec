import pytest

torch = pytest.importorskip("torch")

from edgeqc.training import strip_looks_modelled as modelled  # noqa: E402
from edgeqc.training.strip_fields import Batch  # noqa: E402


def test_a_stamped_point_leaves_its_weight_at_its_place():
    b = Batch(2, 40, 60, "cpu")
    x, y = torch.tensor([[10.25, 90.0], [30.0, 5.5]]), torch.tensor([[20.5, 3.0], [7.0, 8.0]])
    plane = modelled._stamped(b, x, y, (torch.full((2, 2), 2.0),))[0]
    assert torch.allclose(plane.sum(dim=(1, 2)), torch.tensor([2.0, 4.0]))  # one lies outside
    assert (plane[0].sum(dim=0) * torch.arange(60)).sum() / 2 == pytest.approx(10.25)
    assert (plane[0].sum(dim=1) * torch.arange(40)).sum() / 2 == pytest.approx(20.5)


def test_pulses_without_jitter_lie_on_a_programmed_lattice(monkeypatch):
    torch.manual_seed(1)
    b = Batch(4, 80, 120, "cpu")
    first = lambda b, *values: torch.full((b.size, 1, 1), float(values[0]))  # noqa: E731
    monkeypatch.setattr(Batch, "pick", first)
    monkeypatch.setattr(Batch, "chance", lambda self, share: torch.zeros(self.size, 1, 1))
    _, y, energy, pitch = modelled._pulses(b, 4.0)
    line = (y - b.rows / 2) / pitch[:, 0]
    off = torch.remainder(2 * line + 0.5, 1) - 0.5  # half a pitch where the count is odd
    assert off.abs().max() < 1e-3
    assert (energy > 0).all()


def test_the_lines_of_walks_end_and_fork():
    torch.manual_seed(1)
    b = Batch(2, 100, 200, "cpu")
    x, y, _, weight = (p.reshape(2, 3, 10, -1) for p in modelled._walks(b, 10))
    assert (weight[..., -1] == 0).float().mean() > 0.5  # most ended
    parents = torch.stack([x[:, 0].flatten(1), y[:, 0].flatten(1)], -1)
    starts = torch.stack([x[:, 1, :, 0], y[:, 1, :, 0]], -1)
    assert torch.cdist(starts, parents).amin(dim=-1).max() < 1.5
