"""Further layouts, marks along borders and grounds beside the face."""

import pytest

torch = pytest.importorskip("torch")

from edgeqc.training.strip_fields import Batch  # noqa: E402
from edgeqc.training.strip_layouts import LAYOUTS, bordered, surrounded  # noqa: E402
from edgeqc.zoning.texture import MARGIN  # noqa: E402

ROWS, COLS = 116, 160
THICKNESS = ROWS / (1 + 2 * MARGIN)


def batch(size=24):
    return Batch(size, ROWS, COLS, "cpu")


def drawn(layout, seed=0, size=24):
    torch.manual_seed(seed)
    return layout(batch(size))


def name(layout):
    return layout.__name__


@pytest.fixture(params=LAYOUTS, ids=name)
def layout(request):
    return request.param


def test_places_have_the_shape_of_the_batch_and_known_codes(layout):
    place = drawn(layout)
    for plane in (place.t, place.codes, place.ledge, place.edge_px):
        assert plane.shape == (24, ROWS, COLS)
        assert torch.isfinite(plane.float()).all()
    assert place.soft.shape == (24, 1, 1)
    assert place.codes.dtype == torch.int64
    assert set(place.codes.unique().tolist()) <= {0, 1, 2}
    assert (place.ledge >= 0).all()


def test_rows_reach_from_the_margin_before_the_face_to_as_much_behind(layout):
    place = drawn(layout)
    assert (place.t[:, 0] < 0).all()
    assert (place.t[:, -1] > 1).all()
    assert ((place.edge_px > 0) == ((place.t > 0) & (place.t < 1))).all()
    row = (torch.arange(ROWS) + 0.5 - MARGIN * THICKNESS) / THICKNESS
    assert (place.t - row[None, :, None]).abs().median() < 0.02


@pytest.mark.parametrize("seed", range(4))
def test_laser_is_one_run_from_the_anterior_edge(layout, seed):
    place = drawn(layout, seed)
    inside = place.edge_px > 0
    other = ((place.codes != 0) & inside).to(torch.uint8).cummax(dim=1).values > 0
    assert not ((place.codes == 0) & inside & other).any()


def test_the_same_seed_draws_the_same(layout):
    first, second, third = drawn(layout, 7), drawn(layout, 7), drawn(layout, 8)
    assert torch.equal(first.codes, second.codes)
    assert torch.equal(first.t, second.t)
    assert not torch.equal(first.codes, third.codes)


def test_members_vary_and_show_every_zone(layout):
    codes = drawn(layout, 3, 48).codes
    assert len(torch.unique(codes.flatten(1), dim=0)) > 24  # the others may be of one zone
    assert set(codes.unique().tolist()) == {0, 1, 2}


def test_about_a_quarter_of_the_faces_are_of_one_zone():
    whole = torch.zeros(3)
    for seed, layout in enumerate(LAYOUTS):
        place = drawn(layout, seed, 96)
        inside = place.edge_px > 0
        for zone in range(3):
            whole[zone] += ((place.codes == zone) | ~inside).all(dim=1).all(dim=1).sum()
    share = whole / (96 * len(LAYOUTS))
    assert 0.17 < share.sum() < 0.33
    assert (share > 0.03).all()


def test_the_fewest_hundredths_of_residual_are_drawn():
    thin = next(layout for layout in LAYOUTS if layout.__name__ == "thin")
    place = drawn(thin, 1, 64)
    left = ((place.codes > 0) & (place.edge_px > 0)).sum(dim=1).float() / THICKNESS
    left = left.median(dim=1).values
    assert ((left > 0.004) & (left < 0.08)).float().mean() > 0.3


def distance_of_borders(codes, reach):
    """True where samples within reach are not all of one zone."""
    same = torch.ones_like(codes, dtype=torch.bool)
    for zone in range(3):
        member = (codes == zone).float()[:, None]
        size = 2 * reach + 1
        near = torch.nn.functional.max_pool2d(member, size, stride=1, padding=reach)[:, 0] > 0
        same &= ~near | (codes == zone)
    return ~same


def test_marks_along_borders_leave_the_rest(layout):
    place = drawn(layout, 5)
    signal = 1 + 0.1 * torch.randn(24, ROWS, COLS)
    out = bordered(batch(), place, signal)
    assert out.shape == signal.shape
    assert torch.isfinite(out).all()
    far = ~distance_of_borders(place.codes, 30)
    assert torch.equal(out[far], signal[far])
    assert (out != signal).any()


def test_a_face_of_one_zone_has_no_marks():
    place = drawn(LAYOUTS[0], 2, 4)
    place.codes.fill_(1)
    signal = torch.rand(4, ROWS, COLS)
    assert torch.equal(bordered(batch(4), place, signal), signal)


def test_the_surround_stays_near_and_beyond_the_edges(layout):
    place = drawn(layout, 6)
    signal = 1 + 0.1 * torch.randn(24, ROWS, COLS)
    out = surrounded(batch(), place, signal)
    assert out.shape == signal.shape
    assert torch.isfinite(out).all()
    deep = place.edge_px > 0.125 * THICKNESS
    assert torch.equal(out[deep], signal[deep])
    assert (out != signal)[place.edge_px < 0].float().mean() > 0.99


def test_grounds_vary_between_members():
    place = drawn(LAYOUTS[0], 4)
    out = surrounded(batch(), place, torch.ones(24, ROWS, COLS))
    level = out[:, :4].mean(dim=(1, 2))
    assert level.std() > 0.1
    assert (out[:, :4].mean(dim=(1, 2)) - out[:, -4:].mean(dim=(1, 2))).abs().median() > 0.05
