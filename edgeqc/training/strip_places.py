"""Where every sample of a drawn strip lies on its face, and what lies over it."""

from __future__ import annotations

from dataclasses import dataclass, fields

import torch
from torch import Tensor

from edgeqc.training.strip_fields import Batch, noise


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


def littered(b: Batch, place: Place, signal: Tensor) -> tuple[Tensor, Tensor]:
    """Lay particles and films over some faces; return the mask of what they hide."""
    field = noise(b, b.log_uniform(4, 40), exponent=1.5)
    level = b.uniform(2.0, 3.2)
    hidden = (field > level) & (b.chance(0.3) > 0) & (place.edge_px > 0)
    body = b.uniform(0.6, 1.7) + b.uniform(0, 0.3) * (field - level).clamp(0, 1)
    body = body + b.log_uniform(0.01, 0.2) * noise(b, b.log_uniform(1, 20))
    return torch.where(hidden, body, signal), hidden
