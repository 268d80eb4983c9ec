"""The grid of the zone map: evenly spread over the thickness, where the network's has a margin."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from edgeqc.quantity import FloatArray
from edgeqc.zoning.border_moves import BorderEvidence
from edgeqc.zoning.texture import CELL, MARGIN, ROWS

N_T = 110
"""Cells of the zone map through the thickness."""


def face_rows(count: int) -> FloatArray:
    """Positions, in model cells, of ``count`` zone-map rows spread over t = 0 .. 1."""
    t = (np.arange(count) + 0.5) / count
    return (t + MARGIN) / (1 + 2 * MARGIN) * (ROWS // CELL) - 0.5


def on_face(planes: NDArray[np.float32]) -> FloatArray:
    """Return planes on the model's grid as (n, N_T, n_s), resampled to the face's own rows."""
    at = face_rows(N_T)
    low = np.floor(at).astype(int)
    part = (at - low)[None, :, None]
    return np.asarray((1 - part) * planes[:, low] + part * planes[:, low + 1])


def border_evidence(logits: NDArray[np.float32]) -> BorderEvidence:
    """Return the network's borders (2, rows, cols), on its own grid, as evidence on the face."""
    edge = np.arange(1, N_T) / N_T  # a border after so many cells
    # row i of the network's first plane stands for the border between its cells i and i + 1
    at = (edge + MARGIN) / (1 + 2 * MARGIN) * (ROWS // CELL) - 1.0
    low = np.floor(at).astype(int)
    part = (at - low)[:, None]
    through = (1 - part) * logits[0, low] + part * logits[0, low + 1]
    return BorderEvidence.of(through, on_face(logits[1:])[0, :, :-1])
