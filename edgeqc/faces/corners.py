"""Lines carried on to their crossings and to the picture's frame."""

from __future__ import annotations

import numpy as np

from edgeqc.faces.frame import arc_length
from edgeqc.faces.sides import Field
from edgeqc.quantity import FloatArray


def carried_on_both_ways(line: FloatArray, length: float) -> FloatArray:
    """Return a polyline carried on straight at both ends."""
    arm = max(1, min(line.shape[0] - 1, line.shape[0] // 6))
    head = line[0] - line[arm]
    tail = line[-1] - line[-1 - arm]
    head = head / max(float(np.hypot(*head)), 1e-9)
    tail = tail / max(float(np.hypot(*tail)), 1e-9)
    return np.concatenate([[line[0] + head * length], line, [line[-1] + tail * length]])


def carried_on(points: FloatArray, u: FloatArray, drop: float) -> tuple[FloatArray, FloatArray]:
    """Return a line of one-pixel steps whose last ``drop`` pixels are replaced by a straight one.

    Beyond a corner there is no edge to be found: a search would turn round the corner.
    """
    count = round(drop)
    kept = max(points.shape[0] - count, min(points.shape[0], 8))
    arm = min(kept, max(8, count))
    tail = points[kept - arm : kept]
    along = np.arange(arm, dtype=float)
    slope, start = np.polynomial.polynomial.polyfit(along, tail, 1)[::-1]
    ahead = np.arange(arm, arm + 2 * count, dtype=float)
    beyond = start + ahead[:, None] * slope
    # the straight part sets out from the last point that was found, not from the fitted line
    fade = np.exp(-(ahead - arm) / 4.0)[:, None]
    beyond = beyond + fade * (tail[-1] - (start + along[-1] * slope))
    return (np.concatenate([points[:kept], beyond]),
            np.concatenate([u[:kept], np.full(ahead.size, u[kept - 1])]))


def snapped(points: FloatArray, field: Field) -> FloatArray:
    """Return points moved onto the nearest border of the field."""
    row, col = points[:, 0].copy(), points[:, 1].copy()
    gaps = np.stack([row - field.top, field.bottom - row, col - field.left, field.right - col])
    nearest = np.abs(gaps).argmin(axis=0)
    row[nearest == 0] = field.top
    row[nearest == 1] = field.bottom
    col[nearest == 2] = field.left
    col[nearest == 3] = field.right
    return np.stack([row, col], axis=1)


def crossing(first: FloatArray, second: FloatArray, look: int) -> tuple[int, int, FloatArray]:
    """Return where the tail of one polyline crosses the head of another.

    Returns (i, j, point): the crossing lies between points i, i + 1 of the first and j, j + 1 of
    the second; where they do not cross, the nearest pair of points stands in.
    """
    base = max(0, first.shape[0] - look - 1)
    a, b = first[base:], second[: look + 1]
    da, db = np.diff(a, axis=0), np.diff(b, axis=0)
    gap = b[None, :-1] - a[:-1, None]
    cross = da[:, None, 0] * db[None, :, 1] - da[:, None, 1] * db[None, :, 0]
    safe = np.where(np.abs(cross) < 1e-12, np.inf, cross)
    p = (gap[..., 0] * db[None, :, 1] - gap[..., 1] * db[None, :, 0]) / safe
    q = (gap[..., 0] * da[:, None, 1] - gap[..., 1] * da[:, None, 0]) / safe
    hit = (p >= 0) & (p <= 1) & (q >= 0) & (q <= 1) & np.isfinite(safe)
    if hit.any():
        i, j = (int(k[0]) for k in np.nonzero(hit))
        return base + i, j, a[i] + p[i, j] * da[i]
    distance = np.hypot(a[:, None, 0] - b[None, :, 0], a[:, None, 1] - b[None, :, 1])
    near, far = (int(k) for k in np.unravel_index(int(distance.argmin()), distance.shape))
    return base + near, far, (a[near] + b[far]) / 2


def border_walk(start: FloatArray, stop: FloatArray, field: Field) -> FloatArray:
    """Return the way along the field's border between two points on it, both left out."""
    corners = np.array([
        [field.top, field.left], [field.top, field.right],
        [field.bottom, field.right], [field.bottom, field.left]])
    total = 2 * (field.right - field.left) + 2 * (field.bottom - field.top)
    at = [_border_position(point, field) for point in (start, stop)]
    corner_at = np.array([_border_position(point, field) for point in corners])
    clockwise = (at[1] - at[0]) % total
    if clockwise > total / 2:
        return border_walk(stop, start, field)[::-1]
    passed = (corner_at - at[0]) % total
    order = np.argsort(passed)
    stops = corners[order][passed[order] < clockwise]
    line = np.concatenate([start[None], stops, stop[None]])
    length = arc_length(line)
    even = np.linspace(0, length[-1], max(3, round(length[-1] / 4)))
    every = np.unique(np.concatenate([even, length]))[1:-1]
    return np.stack([np.interp(every, length, line[:, axis]) for axis in (0, 1)], axis=1)


def _border_position(point: FloatArray, field: Field) -> float:
    """Return the clockwise distance along the field's border from its upper left corner."""
    row, col = snapped(point[None], field)[0]
    width, height = field.right - field.left, field.bottom - field.top
    if row == field.top:
        return float(col - field.left)
    if col == field.right:
        return float(width + row - field.top)
    if row == field.bottom:
        return float(width + height + field.right - col)
    return float(2 * width + height + field.bottom - row)
