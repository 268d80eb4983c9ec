"""Scenes of a laboratory that sputters gold: what they hand over is a picture with its truth."""

import pytest

torch = pytest.importorskip("torch")

from edgeqc.training.cell_classes import IGNORED  # noqa: E402
from edgeqc.training.scene_lab_sputter import SCENES  # noqa: E402
from edgeqc.training.strip_fields import Batch  # noqa: E402


def _drawn(scene, seed, size=6):
    torch.manual_seed(seed)
    b = Batch(size, 128, 160, "cpu")
    place, finish = scene(b)
    electrons = 1 + 0.1 * torch.randn(size, b.rows, b.cols)
    return (place, *finish(electrons))


def test_there_are_four_scenes_of_different_names():
    assert len({scene.__name__ for scene in SCENES}) == 4


@pytest.mark.parametrize("scene", SCENES, ids=lambda scene: scene.__name__)
class TestScene:
    def test_electrons_are_finite_and_in_range(self, scene):
        _, signal, _ = _drawn(scene, 1)
        assert signal.shape == (6, 128, 160)
        assert torch.isfinite(signal).all()
        assert signal.min() >= 0
        assert signal.max() <= 3

    def test_face_is_exactly_inside_the_border(self, scene):
        for seed in (2, 3):
            place, _, codes = _drawn(scene, seed)
            assert codes.dtype == torch.long
            assert set(codes.unique().tolist()) <= {0, 1, 2, IGNORED}
            known = codes != IGNORED
            assert torch.equal((codes == 2)[known], (place.edge_px > 0)[known])
            assert known.float().mean() > 0.9

    def test_most_members_have_a_face(self, scene):
        _, _, codes = _drawn(scene, 4, 16)
        assert ((codes == 2).float().mean(dim=(1, 2)) > 0.01).float().mean() > 0.8

    def test_some_members_show_the_lens_surface_and_some_do_not(self, scene):
        _, _, codes = _drawn(scene, 5, 24)
        shown = ((codes == 1).sum(dim=(1, 2)) > 20).float().mean()
        assert 0.2 < shown < 0.95

    def test_members_differ_and_a_seed_repeats_them(self, scene):
        _, signal, codes = _drawn(scene, 6)
        _, again, codes_again = _drawn(scene, 6)
        assert torch.equal(signal, again)
        assert torch.equal(codes, codes_again)
        assert all((signal[0] - other).abs().mean() > 0.01 for other in signal[1:])

    def test_a_single_member_can_be_drawn(self, scene):
        _, signal, _ = _drawn(scene, 7, 1)
        assert torch.isfinite(signal).all()
