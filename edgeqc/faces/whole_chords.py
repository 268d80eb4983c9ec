"""Chords that an end of the face cuts short, continued to where its long edges would lie.

At an end that stands askew, or that the picture's frame cuts off askew, a chord runs from one long
edge to the end and not to the other edge. A fraction of such a chord is no fraction of the
thickness: unrolled, a border that runs on straight would bend there. So the
long edges are carried on straight: zone maps, and the places of pixels in a face's frame, stand on
these whole chords. Lengths along a chord, and shares of the area, are still those of what is seen.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from edgeqc.faces.face import CutFace
from edgeqc.faces.frame import WEDGE_FRACTION
from edgeqc.quantity import FloatArray

_Kind = TypeVar("_Kind", bound=np.generic)
_WINDOW = 0.25  # of the thickness: the length of edge that is carried on
_LEAST_WINDOW = 20  # chords
_FARTHEST = 1 / WEDGE_FRACTION - 1  # of the chord as traced, which is at least that part of a whole


def whole_chords(face: CutFace) -> CutFace:
    """Return the face with the chords at its ends as long as the face is thick.

    Parameters
    ----------
    face : CutFace
        The face as traced.

    Returns
    -------
    CutFace
        The same face; the ends of chords before the first and behind the last complete one lie on
        a straight line through the edge's last points (a quarter of the thickness), where that is
        farther out. They may lie outside the outline, and outside the picture. With fewer than 20
        complete chords nothing tells where an edge would go on, and the face stays as it is.
    """
    known = np.flatnonzero(face.complete)
    if known.size < _LEAST_WINDOW or known.size == face.complete.size:
        return face
    window = max(_LEAST_WINDOW, round(_WINDOW * float(np.median(face.thickness_px[known]))))
    anterior, posterior = face.anterior_px.copy(), face.posterior_px.copy()
    before, behind = np.arange(known[0]), np.arange(known[-1] + 1, face.s_px.size)
    for run, near in ((before, known[:window]), (behind, known[-window:])):
        start = face.anterior_px[run]
        way = face.posterior_px[run] - start
        square = np.maximum((way**2).sum(axis=1), 1e-9)
        t = [
            ((_carried_on(edge, near, run) - start) * way).sum(axis=1) / square
            for edge in (face.anterior_px, face.posterior_px)
        ]
        anterior[run] = start + np.clip(t[0], -_FARTHEST, 0.0)[:, None] * way
        posterior[run] = start + np.clip(t[1], 1.0, 1.0 + _FARTHEST)[:, None] * way
    return replace(face, anterior_px=anterior, posterior_px=posterior)


def _carried_on(edge: FloatArray, near: NDArray[np.intp], run: NDArray[np.intp]) -> FloatArray:
    """Return where the straight line through some of an edge's points lies at other chords."""
    middle = float(near.mean())
    slope, level = np.polyfit(near - middle, edge[near], 1)
    return np.asarray(level + np.outer(run - middle, slope))


def as_shown(values: NDArray[_Kind], face: CutFace, whole: CutFace) -> NDArray[_Kind]:
    """Return what was found on whole chords, on the part of each chord that the face shows.

    Parameters
    ----------
    values : (..., n_t, n_columns) array
        On the unrolled whole chords: rows at even fractions, columns at even places along.
    face, whole : CutFace
        The face as traced, and with whole chords.

    Returns
    -------
    (..., n_t, n_columns) array
        Rows at even fractions of the chords as traced, each with its nearest row's values.
    """
    if whole is face:
        return values
    n_t, columns = values.shape[-2:]
    chord = face.column_chords(columns)
    length = np.maximum(whole.thickness_px, 1e-9)
    first = np.hypot(*(face.anterior_px - whole.anterior_px).T) / length
    share = face.thickness_px / length
    t = first[chord] + (np.arange(n_t) + 0.5)[:, None] / n_t * share[chord]
    row = np.clip((t * n_t).astype(int), 0, n_t - 1)
    return values[..., row, np.arange(columns)]
