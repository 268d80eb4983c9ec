"""The two long edges and two ends of a coarse outline."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from edgeqc.faces.frame import arc_length
from edgeqc.quantity import BoolArray, FloatArray

IntArray = NDArray[np.intp]

OUTLINE_POINTS = 360
"""Points to which a coarse outline is resampled before its corners are sought."""

ARM = OUTLINE_POINTS // 40
"""Points either side over which the outline's turn is taken."""

BEND_FLOOR = 0.35
"""A turn below this, in radians, is a bend or a wobble and no corner."""

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

    def nearest_side(self, points: FloatArray) -> NDArray[np.str_]:
        """Return the side of the field that each of the points (n, 2) lies nearest to."""
        row, col = points[:, 0], points[:, 1]
        away = np.stack([row - self.top, self.bottom - row, col - self.left, self.right - col])
        return np.asarray(np.array(["top", "bottom", "left", "right"])[away.argmin(axis=0)])

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
    margin : float
        By how much this reading beats the best one that takes an end for a long edge.
    """

    points: FloatArray
    on_frame: BoolArray
    corners: tuple[int, int, int, int]
    margin: float

    def run(self, which: int) -> tuple[FloatArray, BoolArray]:
        """Return points and frame marks of side 0 (edge), 1 (end), 2 (edge) or 3 (end)."""
        first, last = self.corners[which], self.corners[(which + 1) % 4]
        n = self.points.shape[0]
        index = (first + np.arange((last - first) % n + 1)) % n
        return self.points[index], self.on_frame[index]


def split_sides(
    outline_px: FloatArray, field: Field, frame_margin_px: float, *, towards: str = ""
) -> CoarseSides:
    """Return the long edges and the ends of a closed coarse outline.

    Parameters
    ----------
    outline_px : (n, 2) float array
        Closed coarse outline (row, col), first point not repeated.
    field : Field
        The part of the picture that shows the specimen.
    frame_margin_px : float
        An outline point this close to the field's border runs along the frame.
    towards : {"", "top", "bottom", "left", "right"}
        Side of the picture towards which a long edge is known to lie.

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
    turn = _turning(points)
    candidates = _corner_candidates(turn, on_frame)
    corners, margin = _best_corners(points, on_frame, turn, candidates, towards)
    return CoarseSides(points, on_frame, corners, margin)


def _closed_runs(on_frame: BoolArray) -> BoolArray:
    """Return the frame marks with gaps and runs of up to two points taken out."""
    marks = on_frame.copy()
    for gap in (1, 2):
        before, after = np.roll(marks, gap), np.roll(marks, -1)
        marks |= before & after
    lonely = marks & ~(np.roll(marks, 1) | np.roll(marks, -1))
    return np.asarray(marks & ~lonely)


def _turning(points: FloatArray) -> FloatArray:
    """Return the turn of the outline at each point, in radians, over arms of 1/40 of it."""
    ahead = np.roll(points, -ARM, axis=0) - points
    behind = points - np.roll(points, ARM, axis=0)
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


SHEET_WEIGHT = 1.0
"""Weight of the sheet's side in the rating of edges."""


@dataclass(frozen=True)
class _Rater:
    """What all ratings of ends and edges of one outline share."""

    points: FloatArray
    turn: FloatArray
    framed: FloatArray
    bends: FloatArray

    def share(self, first: IntArray, last: IntArray) -> FloatArray:
        """Return the share of the runs first..last (cyclic) that lie along the frame."""
        length = (last - first) % OUTLINE_POINTS + 1
        return np.asarray((self.framed[first + length] - self.framed[first]) / length)

    def bent(self, first: IntArray, last: IntArray) -> FloatArray:
        """Return how much of a corner the inside of the runs first..last holds, in radians."""
        length = np.maximum((last - first) % OUTLINE_POINTS - 2 * ARM, 0)
        start = first + ARM
        return np.asarray((self.bends[start + length] - self.bends[start]) / ARM)

    def ends(self, first: IntArray, last: IntArray, tip: BoolArray) -> FloatArray:
        """Return how like ends the runs are: sharp corners, straight, or cut by the frame."""
        n = OUTLINE_POINTS
        framed = self.share(first, last)
        length = (last - first) % n
        middle = (first + length // 2) % n
        along = self.points[last] - self.points[first]
        chord = np.maximum(np.hypot(*along.T), 1e-6)
        at = (first[:, None] + (np.linspace(0.1, 0.9, 9) * length[:, None]).astype(int)) % n
        away = self.points[at] - self.points[first][:, None]
        sag = np.abs(away[..., 0] * along[:, None, 1] - away[..., 1] * along[:, None, 0]).max(
            axis=1) / chord**2
        corners = np.minimum(1.0, (self.turn[first] + self.turn[last]) / 2)
        partly = np.minimum(framed, 1 - framed)
        bowed = np.minimum(6.0 * np.maximum(0.0, sag - 0.03), 2.0)
        proper = corners + 1.5 * framed - bowed * (1 - framed) - 3.0 * partly
        tips = np.where(framed == 0, np.minimum(1.0, 0.5 * self.turn[middle]), -1.0)
        return np.where(tip, tips, proper)

    def edges(self, corners: IntArray) -> FloatArray:
        """Return how like two long edges the runs a..b and c..d are; corners are (m, 4)."""
        n = OUTLINE_POINTS
        a, b, c, d = corners.T
        framed = np.maximum(self.share(a, b), self.share(c, d))
        place = np.linspace(0, 1, 9)
        first = self.points[(a[:, None] + (place * ((b - a) % n)[:, None]).astype(int)) % n]
        second = self.points[
            (c[:, None] + (place[::-1] * ((d - c) % n)[:, None]).astype(int)) % n]
        thickness = np.median(np.linalg.norm(second - first, axis=2), axis=1)
        middle = np.diff((first + second) / 2, axis=1)
        length = np.linalg.norm(middle, axis=2).sum(axis=1)
        longish = np.log(np.maximum(length, 1e-3) / np.maximum(thickness, 1e-3))
        runs = [np.diff(line, axis=1) for line in (first, second)]
        runs = [run / np.maximum(np.linalg.norm(run, axis=2), 1e-6)[..., None] for run in runs]
        parallel = (runs[0] * runs[1]).sum(axis=2).mean(axis=1)
        bent = np.maximum(self.bent(a, b), self.bent(c, d))
        return np.asarray(0.9 * np.clip(longish, -1.5, 1.5) + 3.0 * parallel - 3.0 * framed
                          - 4.0 * np.minimum(bent, 1.0))

    def facing(self, corners: IntArray, towards: str) -> FloatArray:
        """Return how much the chords between the long edges point to a side, 0..1."""
        n = OUTLINE_POINTS
        a, b, c, d = corners.T
        across = self.points[(c + ((d - c) % n) // 2) % n] - self.points[
            (a + ((b - a) % n) // 2) % n]
        across /= np.maximum(np.linalg.norm(across, axis=1), 1e-6)[:, None]
        return np.asarray(np.abs(across @ np.array(_WAYS[towards])))


def _hidden_bends(points: FloatArray, on_frame: BoolArray) -> FloatArray:
    """Return the bends that runs along the frame hide, at the middle of each run.

    A long edge may leave the picture and come back; a corner of the face that lies outside the
    picture turns the outline in between.
    """
    n = points.shape[0]
    bends = np.zeros(n)
    for start in np.flatnonzero(on_frame & ~np.roll(on_frame, 1)):
        length = 1
        while length < n and on_frame[(start + length) % n]:
            length += 1
        before = points[(start - 1) % n] - points[(start - 1 - ARM) % n]
        after = points[(start + length + ARM) % n] - points[(start + length) % n]
        cross = before[0] * after[1] - before[1] * after[0]
        net = abs(float(np.arctan2(cross, (before * after).sum())))
        bends[(start + length // 2) % n] = ARM * max(0.0, net - BEND_FLOOR)
    return bends


_WAYS = {"top": (1.0, 0.0), "bottom": (1.0, 0.0), "left": (0.0, 1.0), "right": (0.0, 1.0)}


def _best_corners(
    points: FloatArray, on_frame: BoolArray, turn: FloatArray, candidates: list[int], towards: str
) -> tuple[tuple[int, int, int, int], float]:
    """Return the corners (edge, end, edge, end) with the best rating, and its margin."""
    n = OUTLINE_POINTS
    tip = max(1, n // 120)
    ends = [((c - tip) % n, (c + tip) % n, True) for c in candidates]
    ends += [(i, j, False) for i in candidates for j in candidates if i != j]
    ends = [end for end in ends if (end[1] - end[0]) % n < 0.55 * n]
    first, last, tips = (np.array(column) for column in zip(*ends, strict=True))
    bends = np.maximum(0.0, turn - BEND_FLOOR) * ~on_frame + _hidden_bends(points, on_frame)
    rater = _Rater(
        points, turn, np.concatenate([[0.0], np.cumsum(np.tile(on_frame.astype(float), 2))]),
        np.concatenate([[0.0], np.cumsum(np.tile(bends, 3))]))
    rated = rater.ends(first, last, tips.astype(bool))
    i, j = np.triu_indices(len(ends), 1)
    b, c, d, a = first[i], last[i], first[j], last[j]
    runs = np.stack([(c - b) % n, (a - d) % n, (b - a) % n, (d - c) % n])
    fits = (runs.sum(axis=0) == n) & (runs[2:].min(axis=0) >= n // 12)
    if not fits.any():
        return (0, n // 4, n // 2, 3 * n // 4), 0.0
    corners = np.stack([a, b, c, d], axis=1)[fits]
    rating = rated[i[fits]] + rated[j[fits]] + rater.edges(corners)
    if towards:
        rating = rating + SHEET_WEIGHT * rater.facing(corners, towards)
    best = int(rating.argmax())
    chosen = corners[best]
    one, two, three, four = (int(k) for k in chosen)
    # the middle of the first long edge lies on an end of these
    middle = (one + ((two - one) % n) // 2) % n
    on_end = ((middle - corners[:, 1]) % n <= (corners[:, 2] - corners[:, 1]) % n) | (
        (middle - corners[:, 3]) % n <= (corners[:, 0] - corners[:, 3]) % n)
    rival = float(rating[on_end].max()) if on_end.any() else -np.inf
    return (one, two, three, four), float(rating[best]) - rival
