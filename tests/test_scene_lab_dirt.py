"""Scenes from a busy laboratory: what they hand over is whole, exact and never twice the same."""

import pytest

torch = pytest.importorskip("torch")

from edgeqc.training import scene_lab_dirt, strips  # noqa: E402
from edgeqc.training.cell_classes import IGNORED  # noqa: E402
from edgeqc.training.strip_fields import Batch  # noqa: E402


def _drawn(scene, seed=3, size=8):
    torch.manual_seed(seed)
    b = Batch(size, 96, 128, "cpu")
    place, finish = scene(b)
    signal, codes = finish(strips.zone_signal(b, place)[0])
    return place, signal, codes


@pytest.mark.parametrize("scene", scene_lab_dirt.SCENES)
class TestScenes:
    def test_signal_and_codes_are_in_range(self, scene):
        _, signal, codes = _drawn(scene)
        assert bool(torch.isfinite(signal).all())
        assert float(signal.min()) >= 0
        assert float(signal.max()) <= 3
        assert codes.dtype == torch.long
        assert set(codes.unique().tolist()) <= {0, 1, 2, IGNORED}

    def test_face_is_where_the_place_says(self, scene):
        place, _, codes = _drawn(scene)
        told = codes != IGNORED
        assert torch.equal((codes == 2)[told], (place.edge_px > 0)[told])

    def test_most_members_show_a_face(self, scene):
        _, _, codes = _drawn(scene, size=12)
        assert int(((codes == 2).float().mean(dim=(1, 2)) > 0.02).sum()) >= 10

    def test_members_differ_and_a_seed_repeats(self, scene):
        _, signal, codes = _drawn(scene)
        assert float((signal[0] - signal[1]).abs().mean()) > 1e-3
        again = _drawn(scene)
        assert torch.equal(again[2], codes)
        assert torch.allclose(again[1], signal)
