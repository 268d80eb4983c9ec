"""Lens surfaces by an optician: whole numbers, each its own, and never over the face."""

from __future__ import annotations

import pytest

torch = pytest.importorskip("torch")

from edgeqc.training.scene_lens_optician import BODIES  # noqa: E402
from edgeqc.training.scene_surrounds import outlines  # noqa: E402
from edgeqc.training.strip_fields import Batch  # noqa: E402


def _drawn(body, side, seed):
    torch.manual_seed(seed)
    b = Batch(4, 90, 120, "cpu")
    at = outlines(b)
    return at, *body(b, at, side)


@pytest.mark.parametrize("side", [0, 1])
@pytest.mark.parametrize("body", BODIES, ids=lambda body: body.__name__)
def test_surfaces_are_finite_and_end_where_the_face_begins(body, side):
    at, electrons, inside = _drawn(body, side, 5)
    assert electrons.shape == inside.shape == at.edge.shape
    assert torch.isfinite(electrons).all()
    assert torch.isfinite(inside).all()
    assert electrons.min() >= 0
    assert electrons.max() <= 2.5
    assert (inside <= at.beyond[side]).all()


@pytest.mark.parametrize("body", BODIES, ids=lambda body: body.__name__)
def test_members_differ_and_a_seed_repeats(body):
    _, electrons, inside = _drawn(body, 0, 6)
    _, again, inside_again = _drawn(body, 0, 6)
    assert torch.equal(electrons, again)
    assert torch.equal(inside, inside_again)
    for one in range(3):
        assert not torch.allclose(electrons[one], electrons[one + 1], atol=1e-3)
    assert not torch.allclose(electrons, _drawn(body, 0, 7)[1], atol=1e-3)
