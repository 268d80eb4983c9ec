"""Scenes of a laboratory in low vacuum: electrons in range, and codes that say where faces are."""

from __future__ import annotations

import pytest

torch = pytest.importorskip("torch")

from edgeqc.training.cell_classes import IGNORED  # noqa: E402
from edgeqc.training.scene_lab_lowvac import SCENES  # noqa: E402
from edgeqc.training.strip_fields import Batch, noise  # noqa: E402

pytestmark = pytest.mark.parametrize("scene", SCENES, ids=lambda scene: scene.__name__)


def _drawn(scene, seed, size=8):
    torch.manual_seed(seed)
    b = Batch(size, 96, 128, "cpu")
    place, finish = scene(b)
    return place, *finish(1 + 0.2 * noise(b, b.log_uniform(1, 30)))


def test_electrons_are_finite_and_in_range(scene):
    for seed in range(3):
        place, signal, codes = _drawn(scene, seed)
        assert signal.shape == codes.shape == place.edge_px.shape == (8, 96, 128)
        assert torch.isfinite(signal).all()
        assert signal.min() >= 0
        assert signal.max() <= 3


def test_codes_say_where_the_face_is(scene):
    for seed in range(3):
        place, _, codes = _drawn(scene, seed)
        assert codes.dtype == torch.long
        assert set(codes.unique().tolist()) <= {0, 1, 2, IGNORED}
        known = codes != IGNORED
        assert known.float().mean() > 0.8
        assert torch.equal((codes == 2)[known], (place.edge_px > 0)[known])
        assert torch.isfinite(place.edge_px).all()


def test_most_members_show_a_face_and_some_a_surface_beside_it(scene):
    _, _, codes = _drawn(scene, 1, 24)
    shares = (codes == 2).float().mean(dim=(1, 2))
    assert (shares > 0.02).float().mean() > 0.8
    beside = (codes == 1).float().mean(dim=(1, 2)) > 0.002
    assert 0.1 < beside.float().mean() < 0.95


def test_members_differ_and_a_seed_repeats(scene):
    _, signal, codes = _drawn(scene, 6)
    _, again, codes_again = _drawn(scene, 6)
    assert torch.equal(signal, again)
    assert torch.equal(codes, codes_again)
    for one in range(7):
        assert not torch.allclose(signal[one], signal[one + 1], atol=1e-2)
    assert not torch.allclose(signal, _drawn(scene, 7)[1], atol=1e-2)
