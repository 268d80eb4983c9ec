"""The two long edges and two ends of a coarse outline."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from edgeqc.faces.frame import arc_length
from edgeqc.quantity import BoolArray, FloatArray

OUTLINE_POINTS = 360
"""Points to which a coarse outline is resampled before its corners are sought."""

MAX_CORNERS = 12
"""Corner candidates that are tried in all pairs."""


@dataclass(frozen=True)
class Field:
    """The part of the picture that shows the specimen, in pixels (inclusive pixel centres).

    The data bar and the rows and columns that hold no number lie outside.
    """

    top: float
    left: float
    bottom: float
    right: float

    def distance(self, points: FloatArray) -> FloatArray:
        """Return how far inside the field points (n, 2) lie, in pixels (negative outside)."""
        row, col = points[:, 0], points[:, 1]
        return np.minimum(
            np.minimum(row - self.top, self.bottom - row),
            np.minimum(col - self.left, self.right - col),
        )

    def clip(self, points: FloatArray) -> FloatArray:
        """Return the points moved into the field."""
        return np.clip(points, [self.top, self.left], [self.bottom, self.right])


@dataclass(frozen=True)
class CoarseSides:
    """Index ranges of the two long edges and the two ends along a closed coarse outline.

    Parameters
    ----------
    points : (n, 2) float array
        Closed outline (row, col), evenly spaced.
    on_frame : (n,) bool array
        Where the outline runs along the picture's frame.
    corners : (a, b, c, d)
        Indices such that a..b is a long edge, b..c an end, c..d the other long edge and d..a the
        other end (cyclic).
    """

    points: FloatArray
    on_frame: BoolArray
    corners: tuple[int, int, int, int]

    def run(self, which: int) -> tuple[FloatArray, BoolArray]:
        """Return points and frame marks of side 0 (edge), 1 (end), 2 (edge) or 3 (end)."""
        first, last = self.corners[which], self.corners[(which + 1) % 4]
        n = self.points.shape[0]
        index = (first + np.arange((last - first) % n + 1)) % n
        return self.points[index], self.on_frame[index]


def split_sides(outline_px: FloatArray, field: Field, frame_margin_px: float) -> CoarseSides:
    """Return the long edges and the ends of a closed coarse outline.

    Parameters
    ----------
    outline_px : (n, 2) float array
        Closed coarse outline (row, col), first point not repeated.
    field : Field
        The part of the picture that shows the specimen.
    frame_margin_px : float
        An outline point this close to the field's border runs along the frame.

    Notes
    -----
    Corners are the sharpest turns of the outline and the places where it meets the frame. Every
    pair of disjoint ends between corner candidates is rated: ends are short, straight and may be
    cut by the frame; long edges are long and are not the frame. A tip, where the long edges meet,
    is an end of next to no length.
    """
    closed = np.concatenate([outline_px, outline_px[:1]])
    s = arc_length(closed)
    at = np.arange(OUTLINE_POINTS) * s[-1] / OUTLINE_POINTS
    points = np.stack([np.interp(at, s, closed[:, axis]) for axis in (0, 1)], axis=1)
    on_frame = _closed_runs(field.distance(points) < frame_margin_px)
    turn = _turning(points, on_frame)
    candidates = _corner_candidates(turn, on_frame)
    return CoarseSides(points, on_frame, _best_corners(points, on_frame, turn, candidates))


def _closed_runs(on_frame: BoolArray) -> BoolArray:
    """Return the frame marks with gaps and runs of up to two points taken out."""
    marks = on_frame.copy()
    for gap in (1, 2):
        before, after = np.roll(marks, gap), np.roll(marks, -1)
        marks |= before & after
    lonely = marks & ~(np.roll(marks, 1) | np.roll(marks, -1))
    return np.asarray(marks & ~lonely)


def _turning(points: FloatArray, on_frame: BoolArray) -> FloatArray:
    """Return the turn of the outline at each point, in radians, over arms of 1/40 of it."""
    arm = OUTLINE_POINTS // 40
    ahead = np.roll(points, -arm, axis=0) - points
    behind = points - np.roll(points, arm, axis=0)
    cross = behind[:, 0] * ahead[:, 1] - behind[:, 1] * ahead[:, 0]
    dot = (ahead * behind).sum(axis=1)
    turn = np.arctan2(cross, dot)
    return np.asarray(np.abs(turn))


def _corner_candidates(turn: FloatArray, on_frame: BoolArray) -> list[int]:
    """Return the sharpest turns, and the ends of frame runs, in order along the outline."""
    n = turn.size
    changes = np.flatnonzero(on_frame != np.roll(on_frame, 1))
    # the corner belongs to the frame run: first and last point on the frame
    chosen = [int(i) if on_frame[i] else int((i - 1) % n) for i in changes]
    radius = n // 40
    for index in np.argsort(-turn, kind="stable"):
        if len(chosen) >= MAX_CORNERS or turn[index] < 0.15:
            break
        gap = [min(abs(int(index) - c), n - abs(int(index) - c)) for c in chosen]
        if not gap or min(gap) > radius:
            chosen.append(int(index))
    while len(chosen) < 4:  # round outlines: even quarters of the longest extent
        chosen.append((max(chosen, default=0) + n // 4) % n)
    return sorted(set(chosen))


def _best_corners(
    points: FloatArray, on_frame: BoolArray, turn: FloatArray, candidates: list[int]
) -> tuple[int, int, int, int]:
    """Return the corners (edge, end, edge, end) with the best rating."""
    n = points.shape[0]
    tip = max(1, n // 120)
    ends = [((c - tip) % n, (c + tip) % n, True) for c in candidates]
    ends += [(i, j, False) for i in candidates for j in candidates if i != j]
    ends = [end for end in ends if (end[1] - end[0]) % n < 0.55 * n]
    cumulative = np.concatenate([[0], np.cumsum(np.concatenate([on_frame, on_frame]))])
    rated = [_rate_end(points, turn, cumulative, end) for end in ends]
    best, found = -np.inf, (0, n // 4, n // 2, 3 * n // 4)
    for i, (b, c, _) in enumerate(ends):
        for j in range(i + 1, len(ends)):
            d, a, _ = ends[j]
            first, second = (b - a) % n, (d - c) % n
            if (c - b) % n + (a - d) % n + first + second != n or min(first, second) < n // 12:
                continue
            rating = rated[i] + rated[j] + _rate_edges(
                points, cumulative, (a, b, c, d))
            if rating > best:
                best, found = rating, (a, b, c, d)
    return found


def _share(cumulative: FloatArray, first: int, last: int, n: int) -> float:
    """Return the share of outline points first..last (cyclic) that run along the frame."""
    length = (last - first) % n + 1
    return float(cumulative[first + length] - cumulative[first]) / length


def _rate_end(
    points: FloatArray, turn: FloatArray, cumulative: FloatArray, end: tuple[int, int, bool]
) -> float:
    """Return how like an end the run is: sharp corners, straight, or cut by the frame."""
    first, last, tip = end
    n = points.shape[0]
    framed = _share(cumulative, first, last, n)
    if tip:
        middle = (first + (last - first) % n // 2) % n
        return min(1.2, float(turn[middle])) if framed == 0 else -1.0
    length = (last - first) % n
    chord = float(np.hypot(*(points[last] - points[first])))
    step = float(np.hypot(*(points[1] - points[0])))
    straight = chord / max(step * length, 1e-6)
    corners = min(1.0, (turn[first] + turn[last]) / 2)
    partly = min(framed, 1 - framed)
    return float(corners + 1.5 * framed + 2.0 * min(0.0, straight - 0.85) * (1 - framed)
                 - 3.0 * partly)


def _rate_edges(
    points: FloatArray, cumulative: FloatArray, corners: tuple[int, int, int, int]
) -> float:
    """Return how like two long edges the runs a..b and c..d are."""
    a, b, c, d = corners
    n = points.shape[0]
    framed = max(_share(cumulative, a, b, n), _share(cumulative, c, d, n))
    first = points[(a + np.linspace(0, (b - a) % n, 9).astype(int)) % n]
    second = points[(c + np.linspace((d - c) % n, 0, 9).astype(int)) % n]
    thickness = np.hypot(*(second - first).T)
    middle = (first + second) / 2
    length = float(np.hypot(*np.diff(middle, axis=0).T).sum())
    longish = np.log(max(length, 1e-3) / max(float(np.median(thickness)), 1e-3))
    runs = np.diff(first, axis=0) / np.maximum(
        np.hypot(*np.diff(first, axis=0).T), 1e-6)[:, None]
    others = np.diff(second, axis=0) / np.maximum(
        np.hypot(*np.diff(second, axis=0).T), 1e-6)[:, None]
    parallel = float(np.mean((runs * others).sum(axis=1)))
    return float(1.2 * np.clip(longish, -1.5, 1.5) + 2.0 * parallel - 3.0 * framed)
