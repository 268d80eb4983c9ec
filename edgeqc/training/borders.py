"""Borders as the zone model learns them: where two neighbouring cells belong to different zones."""

from __future__ import annotations

import torch
from torch import Tensor
from torch.nn import functional

from edgeqc.training.cell_classes import IGNORED

_HIDDEN = 3  # obscured: what lies below it is not known
_WEIGHT = 6.0
"""Weight of the borders beside the names: few cells lie at one (ours: makes both of a size)."""


def border_targets(classes: Tensor) -> tuple[Tensor, Tensor]:
    """Return where borders lie and where that is known.

    Parameters
    ----------
    classes : (b, rows, cols) int64 tensor
        0 laser, 1 scissor, 2 torn, 3 obscured, 255 not to be learned.

    Returns
    -------
    border, known : (b, 2, rows, cols) float32 tensors
        1 where the cell and the next one belong to different zones, and where both are zones:
        first the next one through the thickness, then the next one along the face.
    """
    border = torch.zeros(classes.shape[0], 2, *classes.shape[1:], device=classes.device)
    known = torch.zeros_like(border)
    named = (classes != IGNORED) & (classes != _HIDDEN)
    border[:, 0, :-1] = (classes[:, :-1] != classes[:, 1:]).float()
    known[:, 0, :-1] = (named[:, :-1] & named[:, 1:]).float()
    border[:, 1, :, :-1] = (classes[:, :, :-1] != classes[:, :, 1:]).float()
    known[:, 1, :, :-1] = (named[:, :, :-1] & named[:, :, 1:]).float()
    return border, known


def border_loss(logits: Tensor, classes: Tensor) -> Tensor:
    """Return the weighted cross-entropy of the border logits (b, 2, rows, cols)."""
    border, known = border_targets(classes)
    loss = functional.binary_cross_entropy_with_logits(logits, border, reduction="none")
    return _WEIGHT * (loss * known).sum() / known.sum().clamp(min=1)
