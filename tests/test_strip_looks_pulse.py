"""Surfaces that trains of pulses leave: sound numbers, and pitches that a spectrum finds again."""

import pytest

torch = pytest.importorskip("torch")

from edgeqc.training import strip_looks_pulse as pulse  # noqa: E402
from edgeqc.training.strip_fields import Batch  # noqa: E402


@pytest.mark.parametrize("look", pulse.PULSE_LOOKS, ids=lambda look: look.__name__)
@pytest.mark.parametrize(("rows", "cols"), [(60, 100), (97, 260)])
def test_look_is_finite_varied_and_repeatable(look, rows, cols):
    torch.manual_seed(5)
    plane = look(Batch(4, rows, cols, "cpu"))
    torch.manual_seed(5)
    again = look(Batch(4, rows, cols, "cpu"))

    assert plane.shape == (4, rows, cols)
    assert plane.dtype == torch.float32
    assert torch.isfinite(plane).all()
    assert plane.std(dim=(1, 2)).min() > 0.5
    assert (plane[0] - plane[1]).abs().mean() > 0.1
    assert torch.equal(plane, again)


def test_names_are_different():
    names = [look.__name__ for look in pulse.PULSE_LOOKS]
    assert len(set(names)) == len(names)
    assert 10 <= len(names) <= 14


def test_rimmed_raster_has_a_pitch():
    torch.manual_seed(8)
    plane = pulse.rimmed_raster(Batch(16, 128, 384, "cpu"))
    power = torch.fft.rfft2(plane).abs() ** 2
    power[:, :3, :3] = 0
    power[:, -3:, :3] = 0
    share = power.flatten(1).topk(60, dim=1).values.sum(1) / power.flatten(1).sum(1)
    plain = torch.fft.rfft2(torch.randn(16, 128, 384)).abs() ** 2
    even = plain.flatten(1).topk(60, dim=1).values.sum(1) / plain.flatten(1).sum(1)

    assert share.median() > 8 * even.median()


def test_marks_near_threshold_shrink_and_go_out():
    torch.manual_seed(9)
    b = Batch(3, 100, 200, "cpu")
    raster = pulse._raster(b, b.uniform(12, 12), b.uniform(12, 12), b.uniform(0, 0))
    shares = []
    for margin in (-2.0, 0.3, 1.0):
        level, even, alone = (torch.full((3, 1, 1), x) for x in (margin, 0.05, 1.0))
        q = pulse._struck(raster.lit(level, even, alone), b.uniform(5, 5))[0]
        shares.append((q < 1).float().mean().item())

    assert shares[0] < 0.01 < shares[1] < shares[2]


def test_layers_run_along_the_face():
    torch.manual_seed(10)
    plane = pulse.depth_layers(Batch(24, 160, 320, "cpu"))
    down = plane.mean(dim=2).std(dim=1)
    along = plane.mean(dim=1).std(dim=1)

    assert (down > along).float().mean() > 0.7
