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


def _at_rows(planes: NDArray[np.float32], at: FloatArray) -> FloatArray:
    """Return planes (n, rows, n_s) read between their rows: (n, at.size, n_s)."""
    low = np.floor(at).astype(int)
    part = (at - low)[None, :, None]
    return np.asarray((1 - part) * planes[:, low] + part * planes[:, low + 1])


def on_face(planes: NDArray[np.float32]) -> FloatArray:
    """Return planes on the model's grid as (n, N_T, n_s), resampled to the face's own rows."""
    return _at_rows(planes, face_rows(N_T))


def border_evidence(logits: NDArray[np.float32]) -> BorderEvidence:
    """Return the network's borders (2, rows, cols), on its own grid, as evidence on the face."""
    # a border lies half a row below a cell of the map, and row i of the network's first plane
    # stands for the one between its cells i and i + 1
    between = (face_rows(N_T)[:-1] + face_rows(N_T)[1:]) / 2 - 0.5
    return BorderEvidence.of(_at_rows(logits[:1], between)[0], on_face(logits[1:])[0, :, :-1])
