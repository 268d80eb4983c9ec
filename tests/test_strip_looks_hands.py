"""Looks by five hands: finite, various and repeatable, whatever the strip's size."""

import pytest

torch = pytest.importorskip("torch")

from edgeqc.training import (  # noqa: E402
    strip_looks_areal,
    strip_looks_explants,
    strip_looks_modelled,
    strip_looks_shader,
    strip_looks_workshop,
)
from edgeqc.training.strip_fields import Batch  # noqa: E402

_HANDS = (
    strip_looks_workshop, strip_looks_shader, strip_looks_modelled, strip_looks_areal,
    strip_looks_explants,
)  # fmt: skip
LOOKS = [
    pytest.param(look, id=f"{hand.__name__.rpartition('_')[2]}-{look.__name__}")
    for hand in _HANDS
    for look in hand.LASER_LOOKS + hand.SCISSOR_LOOKS + hand.TORN_LOOKS
]


@pytest.mark.parametrize("look", LOOKS)
def test_a_look_is_finite_various_and_repeatable(look):
    for rows, cols in ((160, 300), (61, 101), (90, 1500)):
        torch.manual_seed(3)
        relief = look(Batch(3, rows, cols, "cpu"))
        assert relief.shape == (3, rows, cols)
        assert relief.dtype == torch.float32
        assert torch.isfinite(relief).all()
        assert (relief.std(dim=(1, 2)) > 0.5).all()
        assert (relief[0] - relief[1]).abs().mean() > 0.1
        torch.manual_seed(3)
        assert torch.equal(look(Batch(3, rows, cols, "cpu")), relief)
