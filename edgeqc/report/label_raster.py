"""Zones laid back from the unrolled face onto the picture."""

from __future__ import annotations

from collections.abc import Iterable
from itertools import pairwise

import cv2
import numpy as np
from numpy.typing import NDArray

from edgeqc.faces.face import CutFace
from edgeqc.zoning.zones import ZoneMap

_SHIFT = 4  # sub-pixel bits of the polygon filler: 1/16 px


def draw_label_raster(
    shape: tuple[int, int],
    faces: Iterable[tuple[CutFace, ZoneMap | None]],
    *,
    scale: float = 1.0,
) -> NDArray[np.uint8]:
    """Return the zones of all faces as codes on the picture's grid.

    Parameters
    ----------
    shape : (rows, cols)
        Size of the result, in pixels.
    faces : iterable of (CutFace, ZoneMap or None)
        The faces; one without a zone map is left out.
    scale : float
        Result pixels per picture pixel.

    Returns
    -------
    (rows, cols) uint8 array
        0 outside, 1 laser, 2 scissor, 3 torn, 4 obscured.

    Notes
    -----
    Each column of the zone map is a strip between two chords; its runs of equal label are drawn
    as quadrilaterals. What of the outline's inside no strip reaches (rounded ends) takes the
    nearest label.
    """
    raster = np.zeros(shape, np.uint8)
    for face, zones in faces:
        if zones is None:
            continue
        inside = np.zeros(shape, np.uint8)
        _fill(inside, face.outline_px, 1, scale)
        drawn = np.zeros(shape, np.uint8)
        for label, corners in _strips(face, zones):
            _fill(drawn, corners, label, scale)
        raster = np.where(inside > 0, _nearest_label(drawn, inside), raster)
    return raster


def _strips(face: CutFace, zones: ZoneMap) -> Iterable[tuple[int, NDArray[np.float64]]]:
    """Give the runs of equal label in each column, as (label, four corners in pixels)."""
    n_t, n_s = zones.labels.shape
    last = face.s_px.size - 1
    for column in range(n_s):
        labels = zones.labels[:, column]
        edges = np.flatnonzero(np.diff(labels.astype(np.int16))) + 1
        bounds = [0, *edges.tolist(), n_t]
        left, right = column / n_s * last, (column + 1) / n_s * last
        for start, stop in pairwise(bounds):
            station = np.array([left, right, right, left])
            t = np.array([start, start, stop, stop]) / n_t
            yield int(labels[start]), face.chord_points_px(station, t)


def _fill(
    raster: NDArray[np.uint8], outline_px: NDArray[np.float64], code: int, scale: float
) -> None:
    """Fill a polygon given by (row, col) picture positions; pixel centres stay whole numbers."""
    points = (outline_px[:, ::-1] + 0.5) * scale - 0.5
    # vertices far outside the picture would overflow the filler's fixed-point numbers
    points = np.clip(points, -30000, 120000)
    fixed = np.round(points * (1 << _SHIFT)).astype(np.int32)
    cv2.fillPoly(raster, [fixed], code, lineType=cv2.LINE_8, shift=_SHIFT)


def _nearest_label(
    drawn: NDArray[np.uint8], inside: NDArray[np.uint8]
) -> NDArray[np.uint8]:
    """Labels with the unlabelled pixels of the outline's inside given their nearest label."""
    missing = (inside > 0) & (drawn == 0)
    if not missing.any() or not drawn.any():
        return drawn
    rows, cols = np.nonzero(inside)
    box = (slice(rows.min(), rows.max() + 1), slice(cols.min(), cols.max() + 1))
    source = (drawn[box] == 0).astype(np.uint8)
    _, index = cv2.distanceTransformWithLabels(
        source, cv2.DIST_L2, 3, labelType=cv2.DIST_LABEL_PIXEL
    )
    lookup = np.zeros(int(index.max()) + 1, np.uint8)
    lookup[index[source == 0]] = drawn[box][source == 0]
    result = drawn.copy()
    result[box] = np.where(source > 0, lookup[index], drawn[box])
    return result
