"""Scenes of cut faces on rough holders: sound signals, exact codes, faces in most pictures."""

from __future__ import annotations

import pytest

torch = pytest.importorskip("torch")

from edgeqc.training.cell_classes import IGNORED  # noqa: E402
from edgeqc.training.scene_lab_holders import SCENES  # noqa: E402
from edgeqc.training.strip_fields import Batch, noise  # noqa: E402


def _drawn(scene, size, seed):
    torch.manual_seed(seed)
    b = Batch(size, 96, 128, "cpu")
    place, finish = scene(b)
    signal, codes = finish(1 + 0.2 * noise(b, b.uniform(2, 9)))
    return place, signal, codes


@pytest.mark.parametrize("scene", SCENES, ids=lambda scene: scene.__name__)
def test_scenes_are_sound_and_their_codes_exact(scene):
    place, signal, codes = _drawn(scene, 16, 3)
    assert signal.shape == codes.shape == (16, 96, 128)
    assert torch.isfinite(signal).all()
    assert float(signal.min()) >= 0
    assert float(signal.max()) <= 3
    assert codes.dtype == torch.long
    assert set(codes.unique().tolist()) <= {0, 1, 2, IGNORED}
    told = codes != IGNORED
    assert torch.equal((codes == 2)[told], (place.edge_px > 0)[told])
    shares = (codes == 2).float().mean(dim=(1, 2))
    assert int((shares > 0.02).sum()) >= 12
    assert float(told.float().mean()) > 0.8
    assert float((signal[0] - signal[1]).abs().mean()) > 0.01


@pytest.mark.parametrize("scene", SCENES, ids=lambda scene: scene.__name__)
def test_the_same_seed_draws_the_same_scene(scene):
    first, second = _drawn(scene, 3, 8), _drawn(scene, 3, 8)
    assert torch.equal(first[1], second[1])
    assert torch.equal(first[2], second[2])


def test_surfaces_of_the_lens_and_hidden_places_occur():
    codes = torch.cat([_drawn(scene, 12, 5)[2] for scene in SCENES])
    for code in (0, 1, 2, IGNORED):
        assert int((codes == code).flatten(1).any(dim=1).sum()) >= 3
