"""What a maker of whole scenes hands over: where the faces lie, and what draws what is around."""

from __future__ import annotations

from collections.abc import Callable

import torch
from torch import Tensor

from edgeqc.training.scene_surrounds import wandering
from edgeqc.training.strip_fields import Batch
from edgeqc.training.strip_places import Place

Finish = Callable[[Tensor], tuple[Tensor, Tensor]]
"""From the zones' electrons (size, rows, cols), about 1 on average and drawn over the whole
picture, to the electrons of the scene and its codes: 0 background, 1 other lens surface, 2 face,
``IGNORED`` where nobody could say."""
Scene = Callable[[Batch], tuple[Place, Finish]]
"""What draws the outline of the faces of every member of a batch, and then their scenes."""


def zones(
    b: Batch, along: Tensor, across: Tensor, t: Tensor, thickness: Tensor, edge: Tensor
) -> Place:
    """Return the zones' places on faces of any outline.

    Parameters
    ----------
    b : Batch
    along, across : (size, rows, cols) tensors
        Position along and across the face in samples.
    t : (size, rows, cols) tensor
        Fraction of the thickness from the anterior edge; leaves 0 .. 1 outside the face.
    thickness : (size, 1, 1) tensor
        Usual thickness in samples.
    edge : (size, rows, cols) tensor
        Distance from the face's border in samples, positive inside.
    """
    depth = torch.where(b.chance(0.75) > 0, b.uniform(0.6, 0.98), b.uniform(0.05, 0.7))
    whole = torch.rand(b.size, 1, 1, device=b.device)
    depth = torch.where(whole < 0.15, 2.0, torch.where(whole > 0.88, -1.0, depth))
    depth = depth + wandering(b, along, b.uniform(0, 0.04), b.log_uniform(5, 80))
    codes = torch.where(t < depth, 0, torch.where(b.chance(0.42) > 0, 1, 2))
    border = b.uniform(-0.4, 0.4) * b.cols + 0.3 * b.normal() * across
    codes = torch.where((along > border) & (b.chance(0.25) > 0), 1, codes)
    soft = b.pick(0, 0, 2, 5) * b.uniform(0, 1)
    return Place(t, codes, soft, (t - depth).abs() * thickness, edge)
