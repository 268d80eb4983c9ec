import math

import pytest

torch = pytest.importorskip("torch")

from edgeqc.training import strip_looks_shader as shader  # noqa: E402
from edgeqc.training.strip_fields import Batch, turned  # noqa: E402


def test_a_lattice_without_slip_is_regular_and_covers_the_strip():
    torch.manual_seed(1)
    b, zero = Batch(4, 120, 200, "cpu"), torch.zeros(4, 1, 1)
    col, row, _ = shader._lattice(b, zero + 6, zero + 9, zero, zero)
    assert torch.allclose(col[:, :, 1:] - col[:, :, :-1], torch.tensor(6.0), atol=1e-3)
    assert torch.allclose(row, row[:, :, :1].expand_as(row))
    assert torch.allclose(row[:, 1:, 0] - row[:, :-1, 0], torch.tensor(9.0), atol=1e-3)
    assert float(row.amin(dim=(1, 2)).max()) < 9
    assert float(row.amax(dim=(1, 2)).min()) > 111
    assert float(col.amin(dim=2).max()) < 6
    assert float(col.amax(dim=2).min()) > 194


def test_a_stamp_lies_where_its_point_is():
    b = Batch(1, 60, 90, "cpu")
    along, across = turned(b, torch.zeros(1, 1, 1))
    at = [torch.tensor([[value]]) for value in (31.0, 17.0, 2.0)]
    plane = shader._stamped(b, *at, shader._peak(torch.hypot(along, across) / 3))
    assert int(plane.argmax()) == 17 * 90 + 31
    assert float(plane.max()) == pytest.approx(2, abs=1e-3)


def test_the_lines_of_an_edge_run_on():
    torch.manual_seed(1)
    b = Batch(8, 160, 400, "cpu")
    _, across = turned(b, torch.zeros(8, 1, 1))
    drawn = shader._extruded(b, across.expand(8, 160, 400))
    kept = drawn.mean(dim=2).square().mean(dim=1)  # of a variance of 1
    assert (kept > 0.95).all()


def test_combed_lines_follow_their_direction_yet_fork_and_end():
    torch.manual_seed(1)
    b = Batch(6, 200, 300, "cpu")
    one, wave = torch.ones(6, 200, 300), torch.full((6, 1, 1), 10.0)
    cosine, sine = shader._combed(b, one, 0 * one, wave, torch.full((6, 1, 1), 2.0))
    along = (cosine[:, :, 1:] - cosine[:, :, :-1]).square().mean()
    across = (cosine[:, 1:] - cosine[:, :-1]).square().mean()
    assert across > 3 * along
    angle = torch.atan2(sine, cosine)
    assert float(cosine.mean(dim=2).square().mean()) < 0.3  # none runs on through the strip
    around = torch.zeros_like(angle[:, :-1, :-1])
    for first, second in (
        (angle[:, :-1, :-1], angle[:, :-1, 1:]), (angle[:, :-1, 1:], angle[:, 1:, 1:]),
        (angle[:, 1:, 1:], angle[:, 1:, :-1]), (angle[:, 1:, :-1], angle[:, :-1, :-1]),
    ):  # fmt: skip
        around += torch.remainder(second - first + math.pi, 2 * math.pi) - math.pi
    forks = (around.abs() > math.pi).sum(dim=(1, 2))
    assert (forks > 5).all()
