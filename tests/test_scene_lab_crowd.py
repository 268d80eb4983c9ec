"""Tests of the scenes of mounts that carry many fragments."""

from __future__ import annotations

import pytest

torch = pytest.importorskip("torch")

from edgeqc.training.cell_classes import IGNORED  # noqa: E402
from edgeqc.training.scene_lab_crowd import SCENES  # noqa: E402
from edgeqc.training.strip_fields import Batch  # noqa: E402

_NUMBERS = range(len(SCENES))


def _drawn(number: int, seed: int, size: int = 10):
    torch.manual_seed(seed)
    b = Batch(size, 96, 128, "cpu")
    place, finish = SCENES[number](b)
    electrons = 1 + 0.2 * torch.randn(size, b.rows, b.cols)
    signal, codes = finish(electrons)
    return place, signal, codes


@pytest.mark.parametrize("number", _NUMBERS)
def test_the_truth_is_that_of_the_outline(number: int) -> None:
    for seed in range(4):
        place, signal, codes = _drawn(number, seed)
        for plane in (signal, place.t, place.ledge, place.edge_px):
            assert torch.isfinite(plane).all()
        assert torch.equal(signal, signal.clamp(0, 3))
        assert codes.dtype == place.codes.dtype == torch.long
        assert set(place.codes.unique().tolist()) <= {0, 1, 2}
        assert set(codes.unique().tolist()) <= {0, 1, 2, IGNORED}
        known = codes != IGNORED
        assert torch.equal((codes == 2)[known], (place.edge_px > 0)[known])
        assert float(known.float().mean()) > 0.9


@pytest.mark.parametrize("number", _NUMBERS)
def test_faces_lie_within_their_thickness(number: int) -> None:
    place, _, _ = _drawn(number, 3)
    t = place.t[place.edge_px > 2]
    assert float(((t >= -0.05) & (t <= 1.05)).float().mean()) > 0.95


@pytest.mark.parametrize("number", _NUMBERS)
def test_most_members_show_a_face_and_some_the_lens_beside_it(number: int) -> None:
    codes = torch.cat([_drawn(number, seed)[2] for seed in range(6)])
    faces = (codes == 2).float().mean(dim=(1, 2))
    assert float((faces > 0.02).float().mean()) > 0.85
    beside = ((codes == 1).float().mean(dim=(1, 2)) > 0.002).float().mean()
    assert 0.3 < float(beside) < 0.8
    assert float(faces.std()) > 0.03


@pytest.mark.parametrize("number", _NUMBERS)
def test_a_seed_gives_the_same_scene_again(number: int) -> None:
    first, again, other = _drawn(number, 5), _drawn(number, 5), _drawn(number, 6)
    assert torch.equal(first[1], again[1])
    assert torch.equal(first[2], again[2])
    assert not torch.equal(first[1], other[1])
    assert not torch.equal(first[2][0], first[2][1])
