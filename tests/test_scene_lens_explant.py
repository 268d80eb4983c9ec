"""Surfaces of handled fragments: usable numbers, varied, repeatable, and outside the face."""

from __future__ import annotations

import pytest

torch = pytest.importorskip("torch")

from edgeqc.training import scene_lens_explant, scene_surrounds  # noqa: E402
from edgeqc.training.strip_fields import Batch  # noqa: E402


@pytest.mark.parametrize("body", scene_lens_explant.BODIES, ids=lambda body: body.__name__)
@pytest.mark.parametrize("side", [0, 1])
def test_a_body_is_finite_varied_repeatable_and_ends_at_the_face(body, side) -> None:
    b = Batch(4, 96, 128, "cpu")
    torch.manual_seed(5)
    at = scene_surrounds.outlines(b)
    drawn = []
    for _ in range(2):
        torch.manual_seed(6)
        drawn.append(body(b, at, side))
    (signal, inside), (again, place) = drawn
    assert signal.shape == inside.shape == (4, 96, 128)
    assert torch.isfinite(signal).all()
    assert torch.isfinite(inside).all()
    assert torch.equal(signal, again)
    assert torch.equal(inside, place)
    assert (inside <= at.beyond[side]).all()
    assert float(signal.min()) >= 0
    assert float(signal.max()) < 2.5
    assert signal.flatten(1).mean(1).std() > 0.01
