"""Whole scenes by five hands: their truth is exact, their faces and lens surfaces are shown."""

from __future__ import annotations

import pytest

torch = pytest.importorskip("torch")

from edgeqc.training import (  # noqa: E402
    scene_lab_columns,
    scene_lab_crowd,
    scene_lab_quiet,
    scene_lab_relief,
    scene_lab_slivers,
)
from edgeqc.training.cell_classes import IGNORED  # noqa: E402
from edgeqc.training.strip_fields import Batch  # noqa: E402

_HANDS = (
    scene_lab_slivers, scene_lab_relief, scene_lab_quiet, scene_lab_crowd, scene_lab_columns,
)  # fmt: skip
_SCENES = [
    pytest.param(scene, id=f"{hand.__name__.rpartition('_')[2]}-{scene.__name__}")
    for hand in _HANDS
    for scene in hand.SCENES
]


def _drawn(scene, seed: int, size: int = 10):
    torch.manual_seed(seed)
    b = Batch(size, 96, 128, "cpu")
    place, finish = scene(b)
    electrons = 1 + 0.2 * torch.randn(size, b.rows, b.cols)
    signal, codes = finish(electrons)
    return place, signal, codes


@pytest.mark.parametrize("scene", _SCENES)
def test_the_truth_is_that_of_the_outline(scene) -> None:
    for seed in range(4):
        place, signal, codes = _drawn(scene, seed)
        for plane in (signal, place.t, place.ledge, place.edge_px):
            assert torch.isfinite(plane).all()
        assert torch.equal(signal, signal.clamp(0, 3))
        assert codes.dtype == place.codes.dtype == torch.long
        assert set(place.codes.unique().tolist()) <= {0, 1, 2}
        assert set(codes.unique().tolist()) <= {0, 1, 2, IGNORED}
        known = codes != IGNORED
        assert torch.equal((codes == 2)[known], (place.edge_px > 0)[known])
        assert float(known.float().mean()) > 0.9


@pytest.mark.parametrize("scene", _SCENES)
def test_most_members_show_a_face_and_some_the_lens_beside_it(scene) -> None:
    crowd = scene in scene_lab_crowd.SCENES
    codes = torch.cat([_drawn(scene, seed)[2] for seed in range(6 if crowd else 4)])
    faces = (codes == 2).float().mean(dim=(1, 2))
    assert float((faces > 0.02).float().mean()) > 0.85
    beside = ((codes == 1).float().mean(dim=(1, 2)) > 0.002).float().mean()
    least, most = (0.3, 0.8) if crowd else (0.25, 0.9)
    assert least < float(beside) < most
    assert float(faces.std()) > 0.03


@pytest.mark.parametrize("scene", _SCENES)
def test_a_seed_gives_the_same_scene_again(scene) -> None:
    first, again, other = _drawn(scene, 5), _drawn(scene, 5), _drawn(scene, 6)
    assert torch.equal(first[1], again[1])
    assert torch.equal(first[2], again[2])
    assert not torch.equal(first[1], other[1])
    assert not torch.equal(first[2][0], first[2][1])


@pytest.mark.parametrize("scene", scene_lab_crowd.SCENES)
def test_faces_lie_within_their_thickness(scene) -> None:
    place, _, _ = _drawn(scene, 3)
    t = place.t[place.edge_px > 2]
    assert float(((t >= -0.05) & (t <= 1.05)).float().mean()) > 0.95


@pytest.mark.parametrize("scene", scene_lab_quiet.SCENES)
def test_faces_are_quieter_than_the_zones_electrons(scene) -> None:
    place, signal, _ = _drawn(scene, 1, 24)
    inside = place.edge_px > 3
    fine = (signal - signal.roll(1, 2)).abs() * inside
    grain = fine.sum(dim=(1, 2)) / inside.sum(dim=(1, 2)).clamp(min=1)
    seen = inside.sum(dim=(1, 2)) > 100
    untouched = 0.2 * 2 / torch.pi**0.5  # of the white electrons above
    assert 0.15 < float((grain[seen] < 0.5 * untouched).float().mean()) < 0.95
