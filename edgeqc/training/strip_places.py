"""Where every sample of a drawn strip lies on its face."""

from __future__ import annotations

from dataclasses import dataclass, fields

import torch
from torch import Tensor


@dataclass(frozen=True)
class Place:
    """Where every sample lies on its face.

    Parameters
    ----------
    t : tensor
        Fraction of the thickness from the anterior edge; leaves 0 .. 1 outside the face.
    codes : tensor
        0 laser, 1 scissor, 2 torn.
    soft : tensor
        Width over which zones blend.
    ledge : tensor
        Distance from the laser zone's border.
    edge_px : tensor
        Distance from the face's edge, positive inside.
    """

    t: Tensor
    codes: Tensor
    soft: Tensor
    ledge: Tensor
    edge_px: Tensor


def one_after_another(first: Place, second: Place) -> Place:
    """Return the members of two layouts of strips of one size, the first one's before."""
    return Place(
        *(torch.cat([getattr(first, each.name), getattr(second, each.name)])
          for each in fields(Place))
    )  # fmt: skip
