"""Whether a zone's look tells its name, as the zone model learns it beside the names.

Classes of cells carry it (``edgeqc.training.cell_classes``).
"""

from __future__ import annotations

import torch
from torch import Tensor
from torch.nn import functional

from edgeqc.training.cell_classes import IGNORED, NAMELESS, UNTOLD

_N_NAMED = 3  # laser, scissor, torn; what is obscured has no look of its own
_CODES = 15


def names_of(classes: Tensor) -> Tensor:
    """Return the classes without what they say of the look's origin."""
    return torch.where(classes == IGNORED, classes, classes & _CODES)


def origin_targets(classes: Tensor) -> tuple[Tensor, Tensor]:
    """Return where looks are of no particular origin, and where that is known.

    Parameters
    ----------
    classes : (b, rows, cols) int64 tensor
        Names, with ``NAMELESS`` or ``UNTOLD`` added.

    Returns
    -------
    nameless, known : (b, rows, cols) float32 tensors
        0 or 1.
    """
    known = (classes != IGNORED) & (names_of(classes) < _N_NAMED) & (classes < UNTOLD)
    return ((classes >= NAMELESS) & known).float(), known.float()


def origin_loss(logits: Tensor, classes: Tensor) -> Tensor:
    """Return the cross-entropy of the log-odds (b, 1, rows, cols) of a look without an origin."""
    nameless, known = origin_targets(classes)
    loss = functional.binary_cross_entropy_with_logits(logits[:, 0], nameless, reduction="none")
    return (loss * known).sum() / known.sum().clamp(min=1)
