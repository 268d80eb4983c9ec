"""Tests of the scenes of quiet faces beside loud surroundings."""

from __future__ import annotations

import pytest

torch = pytest.importorskip("torch")

from edgeqc.training.cell_classes import IGNORED  # noqa: E402
from edgeqc.training.scene_lab_quiet import SCENES  # noqa: E402
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
    for seed in range(3):
        place, signal, codes = _drawn(number, seed)
        assert torch.isfinite(signal).all()
        assert torch.isfinite(place.t).all()
        assert torch.isfinite(place.edge_px).all()
        assert torch.equal(signal, signal.clamp(0, 3))
        assert codes.dtype == torch.long
        assert set(codes.unique().tolist()) <= {0, 1, 2, IGNORED}
        known = codes != IGNORED
        assert torch.equal((codes == 2)[known], (place.edge_px > 0)[known])
        assert float(known.float().mean()) > 0.9


@pytest.mark.parametrize("number", _NUMBERS)
def test_most_members_show_a_face_and_some_the_lens_beside_it(number: int) -> None:
    codes = torch.cat([_drawn(number, seed)[2] for seed in range(4)])
    faces = (codes == 2).float().mean(dim=(1, 2))
    assert float((faces > 0.02).float().mean()) > 0.85
    beside = ((codes == 1).float().mean(dim=(1, 2)) > 0.002).float().mean()
    assert 0.25 < float(beside) < 0.9
    assert float(faces.std()) > 0.03


@pytest.mark.parametrize("number", _NUMBERS)
def test_faces_are_quieter_than_the_zones_electrons(number: int) -> None:
    place, signal, _ = _drawn(number, 1, 24)
    inside = place.edge_px > 3
    fine = (signal - signal.roll(1, 2)).abs() * inside
    grain = fine.sum(dim=(1, 2)) / inside.sum(dim=(1, 2)).clamp(min=1)
    seen = inside.sum(dim=(1, 2)) > 100
    untouched = 0.2 * 2 / torch.pi**0.5  # of the white electrons above
    assert 0.15 < float((grain[seen] < 0.5 * untouched).float().mean()) < 0.95


@pytest.mark.parametrize("number", _NUMBERS)
def test_a_seed_gives_the_same_scene_again(number: int) -> None:
    first, again, other = _drawn(number, 5), _drawn(number, 5), _drawn(number, 6)
    assert torch.equal(first[1], again[1])
    assert torch.equal(first[2], again[2])
    assert not torch.equal(first[1], other[1])
    assert not torch.equal(first[2][0], first[2][1])
