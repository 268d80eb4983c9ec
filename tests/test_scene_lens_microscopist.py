import pytest

torch = pytest.importorskip("torch")

from edgeqc.training.scene_lens_microscopist import BODIES  # noqa: E402
from edgeqc.training.scene_surrounds import outlines  # noqa: E402
from edgeqc.training.strip_fields import Batch  # noqa: E402


def _drawn(body, seed, side):
    torch.manual_seed(seed)
    b = Batch(4, 120, 160, "cpu")
    at = outlines(b)
    return at, *body(b, at, side)


@pytest.mark.parametrize("body", BODIES, ids=lambda body: body.__name__)
@pytest.mark.parametrize("side", [0, 1])
def test_a_lens_surface_is_finite_ends_at_the_face_and_differs(body, side):
    at, signal, inside = _drawn(body, 5, side)
    assert signal.shape == inside.shape == (4, 120, 160)
    assert torch.isfinite(signal).all()
    assert torch.isfinite(inside).all()
    assert (inside <= at.beyond[side] + 1e-3).all()
    assert signal.min() >= 0
    assert signal.max() <= 2.5
    assert (signal[0] - signal[1]).abs().mean() > 1e-3


@pytest.mark.parametrize("body", BODIES, ids=lambda body: body.__name__)
def test_the_same_seed_draws_the_same_surface(body):
    _, signal, inside = _drawn(body, 3, 0)
    _, again, within = _drawn(body, 3, 0)
    assert torch.equal(signal, again)
    assert torch.equal(inside, within)
