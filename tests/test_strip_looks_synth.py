"""Procedural surfaces: sound numbers; lattices repeat, strokes keep a way, what tears ends."""

import pytest

torch = pytest.importorskip("torch")

from edgeqc.training import strip_looks_synth as synth  # noqa: E402
from edgeqc.training.strip_fields import Batch  # noqa: E402

LOOKS = (*synth.LASER_LOOKS, *synth.SCISSOR_LOOKS, *synth.TORN_LOOKS)


@pytest.mark.parametrize("look", LOOKS, ids=lambda look: look.__name__)
@pytest.mark.parametrize(("rows", "cols"), [(60, 100), (97, 260)])
def test_look_is_finite_varied_and_repeatable(look, rows, cols):
    torch.manual_seed(6)
    plane = look(Batch(4, rows, cols, "cpu"))
    torch.manual_seed(6)
    again = look(Batch(4, rows, cols, "cpu"))

    assert plane.shape == (4, rows, cols)
    assert plane.dtype == torch.float32
    assert torch.isfinite(plane).all()
    assert plane.std(dim=(1, 2)).min() > 0.5
    assert (plane[0] - plane[1]).abs().mean() > 0.1
    assert torch.equal(plane, again)


def _peak(plane):
    """Share of power in the strongest 0.5 % of the spectrum without its coarsest part."""
    power = torch.fft.rfft2(plane).abs() ** 2
    power[:, :5, :16] = 0
    power[:, -5:, :16] = 0
    flat = power.flatten(1).sort(dim=1, descending=True).values
    return (flat[:, : flat.shape[1] // 200].sum(1) / flat.sum(1)).median()


def _one_way(plane):
    """How far gradients share one axis, 0 to 1, in the middle member."""
    down, along = plane[:, 2:, 1:-1] - plane[:, :-2, 1:-1], plane[:, 1:-1, 2:] - plane[:, 1:-1, :-2]
    total = (down**2 + along**2).sum(dim=(1, 2))
    two = torch.hypot((down**2 - along**2).sum(dim=(1, 2)), (2 * down * along).sum(dim=(1, 2)))
    return (two / total).median()


def test_stamps_repeat_more_than_tears():
    torch.manual_seed(1)
    b = Batch(16, 128, 256, "cpu")
    lattice = min(_peak(synth.stamped_pulses(b)), _peak(synth.scan_layers(b)))
    assert lattice > max(_peak(synth.blunt_steps(b)), _peak(synth.meeting_fronts(b)))


def test_a_stroke_keeps_its_way_and_fibrils_wander():
    torch.manual_seed(2)
    b = Batch(16, 128, 256, "cpu")
    assert _one_way(synth.drag_lines(b)) > 0.6
    assert _one_way(synth.smeared_films(b)) > 0.6
    assert _one_way(synth.drawn_fibrils(b)) < 0.6


def test_an_edge_leaves_one_height_along_its_way():
    torch.manual_seed(3)
    across = torch.linspace(-60, 60, 121)[None, :, None].expand(2, -1, 40)
    profile = synth._edge(Batch(2, 121, 40, "cpu"), across)
    assert (profile[:, :, 0] - profile[:, :, -1]).abs().max() < 1e-5
    assert profile.std(dim=1).min() > 0.1


def test_forked_waves_have_dislocations():
    torch.manual_seed(4)
    b = Batch(2, 200, 300, "cpu")
    row = torch.arange(200.0)[None, :, None].expand(2, -1, 300)
    col = torch.arange(300.0)[None, None, :].expand(2, 200, -1)
    turns, _ = synth._forked(b, col / 12, row / 12, torch.full((2, 1, 1), 4.0))
    corners = [turns[:, :-1, :-1], turns[:, :-1, 1:], turns[:, 1:, 1:], turns[:, 1:, :-1]]
    steps = [corners[(i + 1) % 4] - corners[i] for i in range(4)]
    winding = sum(step - step.round() for step in steps)
    assert (winding.abs() > 0.5).flatten(1).sum(1).min() >= 4


def test_rivers_join_downstream():
    torch.manual_seed(5)
    b = Batch(3, 320, 200, "cpu")
    row = torch.arange(320.0)[None, :, None].expand(3, -1, 200)
    level = torch.linspace(0, 3.9, 200)[None, None, :].expand(3, 320, -1)
    _, tread, _ = synth._rivers(b, level, row / 8)
    borders = (tread[:, 1:] != tread[:, :-1]).sum(dim=1)
    assert (borders[:, 0] > 3 * borders[:, -1]).all()
    assert (borders[:, -1] >= 1).all()
    assert ((borders[:, 1:] - borders[:, :-1]) <= 1).all()
