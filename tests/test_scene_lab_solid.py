"""Scenes of pieces drawn as solid bodies: their truth is exact and their pictures are usable."""

from __future__ import annotations

import pytest

torch = pytest.importorskip("torch")

from edgeqc.training.cell_classes import IGNORED  # noqa: E402
from edgeqc.training.scene_lab_solid import SCENES  # noqa: E402
from edgeqc.training.strip_fields import Batch  # noqa: E402
from edgeqc.training.strips import zone_signal  # noqa: E402


def _drawn(scene, seed=3):
    torch.manual_seed(seed)
    b = Batch(6, 160, 224, "cpu")
    place, finish = scene(b)
    signal, codes = finish(zone_signal(b, place)[0])
    return place, signal, codes


@pytest.mark.parametrize("scene", SCENES)
def test_scene_is_finite_in_range_and_true(scene):
    place, signal, codes = _drawn(scene)
    assert torch.isfinite(signal).all()
    assert signal.min() >= 0
    assert signal.max() <= 3
    assert signal.mean() > 0.05
    assert codes.dtype == torch.long
    assert set(codes.unique().tolist()) <= {0, 1, 2, IGNORED}
    told = codes != IGNORED
    assert ((codes == 2) == (place.edge_px > 0))[told].all()
    assert told.float().mean() > 0.8
    on_face = place.t[place.edge_px > 2]
    assert on_face.min() > -0.3
    assert on_face.max() < 1.3
    assert ((codes == 2).float().mean((1, 2)) > 0.01).sum() >= 5


@pytest.mark.parametrize("scene", SCENES)
def test_members_differ_and_seed_tells_all(scene):
    _, signal, codes = _drawn(scene)
    _, again, codes_again = _drawn(scene)
    assert torch.equal(signal, again)
    assert torch.equal(codes, codes_again)
    assert all((codes[0] != other).any() for other in codes[1:])


def test_own_surfaces_are_seen_in_some_members_and_not_in_all():
    shares = [(codes == 1).float().mean((1, 2)) for _, _, codes in map(_drawn, SCENES)]
    seen = torch.cat(shares) > 0.002
    assert seen.any()
    assert not seen.all()
