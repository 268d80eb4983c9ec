"""The frame of a face: from its four sides to a row of transverse chords."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.polynomial import legendre
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from edgeqc.quantity import BoolArray, FloatArray

MID_LINE_ROUNDS = 4
"""Rounds of mid-line fitting; the chords move by less than 0.01 px after the third."""

CHORD_CROSSING_MARGIN = 0.9
"""Chords of a mid-line of curvature κ cross where κ·T/2 reaches 1; we stay below this."""

WEDGE_FRACTION = 0.25
"""A chord in the wedge of a slanted end is kept down to this fraction of the full thickness."""

MID_LINE_TOLERANCE_PX = 0.005
"""Misfit of the mid-line, in pixels, that a simpler line may have."""

CORNER_PX = 8.0
"""Length of an edge next to a corner that does not steer the mid-line, in pixels."""

_COARSE_STEP = 8  # samples of the mid-line

TIP_FRACTION = 0.05
"""A chord near a pointed tip is kept down to this fraction of the median thickness ..."""

TIP_PX = 4.0
"""... and down to this length in pixels."""


@dataclass(frozen=True)
class Sides:
    """The outline of a face, taken apart into two long edges and two ends.

    Parameters
    ----------
    edges : pair of (n, 2) float arrays
        The long edges (row, col), both running the same way along the face.
    edges_true : pair of (n,) bool arrays
        Where each long edge is one of the face, not the picture's frame.
    ends : pair of (n, 2) float arrays
        The ends; the first runs from ``edges[0][0]`` to ``edges[1][0]``, the second from
        ``edges[0][-1]`` to ``edges[1][-1]``. May be empty where the edges meet in a tip.
    ends_true : pair of bool
        Whether each end is one of the face, not the picture's frame.
    """

    edges: tuple[FloatArray, FloatArray]
    edges_true: tuple[BoolArray, BoolArray]
    ends: tuple[FloatArray, FloatArray]
    ends_true: tuple[bool, bool]

    @property
    def outline_px(self) -> FloatArray:
        """Closed outline (row, col), first point not repeated."""
        start, finish = self.ends
        parts = [self.edges[0], finish, self.edges[1][::-1], start[::-1]]
        return np.concatenate([part for part in parts if part.size])

    def turned(self) -> Sides:
        """Return the same sides seen from the other edge, so that the frame keeps its hand."""
        return Sides(
            edges=(self.edges[1][::-1], self.edges[0][::-1]),
            edges_true=(self.edges_true[1][::-1], self.edges_true[0][::-1]),
            ends=(self.ends[1][::-1], self.ends[0][::-1]),
            ends_true=(self.ends_true[1], self.ends_true[0]),
        )

    def exchanged(self) -> Sides:
        """Return the same sides with the first and second long edge exchanged."""
        return Sides(
            edges=(self.edges[1], self.edges[0]),
            edges_true=(self.edges_true[1], self.edges_true[0]),
            ends=(self.ends[0][::-1], self.ends[1][::-1]),
            ends_true=self.ends_true,
        )


@dataclass(frozen=True)
class Chords:
    """A row of transverse chords at even distances along the mid-line.

    Parameters
    ----------
    first_px, second_px : (n_s, 2) float arrays
        Ends (row, col) of the chords on the first and the second long edge.
    s_px : (n_s,) float array
        Arc length along the mid-line, in pixels, from 0.
    complete : (n_s,) bool array
        Where both ends lie on true long edges.
    """

    first_px: FloatArray
    second_px: FloatArray
    s_px: FloatArray
    complete: BoolArray


@dataclass(frozen=True)
class _MidLine:
    """Dense samples of the mid-line, extended straight beyond its ends."""

    s: FloatArray
    point: FloatArray
    tangent: FloatArray
    curvature: FloatArray

    @property
    def normal(self) -> FloatArray:
        """Unit normals: (s, normal) is right-handed, so the unrolled face is not mirrored."""
        return np.stack([self.tangent[:, 1], -self.tangent[:, 0]], axis=1)


def resample(points: FloatArray, n: int) -> FloatArray:
    """Return ``n`` points at even arc length along an open polyline (row, col)."""
    s = arc_length(points)
    at = np.linspace(0.0, s[-1], n)
    return np.stack([np.interp(at, s, points[:, axis]) for axis in (0, 1)], axis=1)


def arc_length(points: FloatArray) -> FloatArray:
    """Return the running length of an open polyline (n, 2), from 0."""
    steps = np.hypot(*np.diff(points, axis=0).T)
    return np.concatenate([[0.0], np.cumsum(steps)])


def chords_of(sides: Sides, *, spacing_px: float = 1.0) -> Chords:
    """Return the chords perpendicular to the mid-line of a face.

    Parameters
    ----------
    sides : Sides
        The face's outline.
    spacing_px : float
        Distance between chords along the mid-line, in pixels (adjusted to fit the length).

    Returns
    -------
    Chords
        At least two chords; the first long edge is the one at negative offsets, so that
        (s, first to second) is right-handed in the picture and the unrolled face is not mirrored.

    Notes
    -----
    The mid-line is a polynomial in arc length that runs midway between the edges, found by
    rounds of: draw the chords perpendicular to it, fit it to their mid-points. Its degree grows
    with the length in thicknesses, and falls until no two chords cross inside the face. The
    chords' ends are read where the edges cross the normals, so that the edges keep all their
    roughness although the mid-line is smooth. On a sector of a ring the chords are radii, on
    a tapering straight face they are perpendicular to the bisector.
    """
    sides, mid = _mid_line(sides)
    chains = [_chain(mid, sides, which) for which in (0, 1)]
    low = max(chain[0][0] for chain in chains)
    high = max(low + spacing_px, min(chain[0][-1] for chain in chains))
    s = np.linspace(low, high, max(2, round((high - low) / spacing_px) + 1))
    offset, true = [], []
    for station, tau, good in chains:
        offset.append(np.interp(s, station, tau))
        true.append(np.interp(s, station, good) > 0.999)
        inside = (s >= station[0] - 1e-9) & (s <= station[-1] + 1e-9)
        true[-1] &= inside
    keep = _usable(offset[1] - offset[0], true[0] & true[1])
    s, complete = s[keep], (true[0] & true[1])[keep]
    point = np.stack([np.interp(s, mid.s, mid.point[:, axis]) for axis in (0, 1)], axis=1)
    normal = np.stack([np.interp(s, mid.s, mid.normal[:, axis]) for axis in (0, 1)], axis=1)
    normal /= np.hypot(*normal.T)[:, None]
    first, second = (point + normal * tau[keep][:, None] for tau in offset)
    return Chords(first, second, s - s[0], complete)


def _usable(length: FloatArray, complete: BoolArray) -> slice:
    """Return the longest run of chords that are long enough to carry a fraction t."""
    typical = float(np.median(length[complete])) if complete.any() else float(np.median(length))
    floor = np.full(length.size, max(TIP_PX, TIP_FRACTION * typical))
    if complete.any():
        known = np.flatnonzero(complete)
        full = np.interp(np.arange(length.size), known, length[known])
        floor = np.where(complete, floor, np.maximum(floor, WEDGE_FRACTION * full))
    good = np.concatenate([[False], length >= floor, [False]])
    starts = np.flatnonzero(~good[:-1] & good[1:])
    stops = np.flatnonzero(good[:-1] & ~good[1:])
    if starts.size == 0 or (stops - starts).max() < 2:
        middle = int(np.clip(np.argmax(length), 0, length.size - 2))
        return slice(middle, middle + 2)
    best = int(np.argmax(stops - starts))
    return slice(int(starts[best]), int(stops[best]))


def _mid_line(sides: Sides) -> tuple[Sides, _MidLine]:
    """Return the mid-line, and the sides ordered so that the first edge has negative offsets."""
    target, thickness = _opposite_points(sides)
    ratio = float(arc_length(target)[-1]) / max(thickness, 1.0)
    degree = int(np.clip(2 + round(ratio), 3, 9))
    mid = _fit(target, 2, thickness)
    if np.median(_project(mid, sides.edges[1])[1]) < 0:
        sides = sides.exchanged()
    for rounds in range(MID_LINE_ROUNDS):
        better = _mid_points(mid, sides)
        if better.shape[0] < 4:
            break
        target = better
        needed = _degree(target, min(degree, 2 + rounds) if rounds < 2 else degree)
        mid = _fit(target, needed, thickness)
        degree = needed if rounds == MID_LINE_ROUNDS - 1 else degree
    while degree > 1 and np.abs(mid.curvature).max() * thickness / 2 > CHORD_CROSSING_MARGIN:
        degree -= 1
        mid = _fit(target, degree, thickness)
    return sides, mid


def _degree(points: FloatArray, highest: int) -> int:
    """Return the least degree that fits a mid-line about as well as the highest one.

    A degree too high follows the roughness and swings out at the ends.
    """
    s = arc_length(points)
    u = 2 * s / max(float(s[-1]), 1e-6) - 1
    rest = []
    for degree in range(1, highest + 1):
        fitted = np.asarray(legendre.legval(u, legendre.legfit(u, points, degree))).T
        rest.append(float(np.sqrt(np.mean((points - fitted) ** 2))))
    good = np.flatnonzero(np.array(rest) <= 1.15 * rest[-1] + MID_LINE_TOLERANCE_PX)
    return int(good[0]) + 1


def _opposite_points(sides: Sides) -> tuple[FloatArray, float]:
    """Return points midway between opposite points of the long edges, and their distance.

    Opposite is the nearest point of the other edge, and counts only where that is not the other
    edge's end: beyond a slanted end one edge has no opposite, and a mid-line drawn there between
    the corners would turn into the corner.
    """
    n = 240
    lines = [_evened(resample(edge, n)) for edge in sides.edges]
    best: tuple[FloatArray, float] = (np.empty((0, 2)), 0.0)
    for one, other in (lines, lines[::-1]):
        distance, index = (np.asarray(found) for found in cKDTree(other).query(one))
        inner = (index > 0) & (index < n - 1)
        if inner.sum() > best[0].shape[0]:
            middle = ((one + other[index]) / 2)[inner]
            best = middle, float(np.median(distance[inner]))
    if best[0].shape[0] >= n // 6:
        return best
    return (lines[0] + lines[1]) / 2, float(np.median(np.hypot(*(lines[0] - lines[1]).T)))


def _evened(line: FloatArray) -> FloatArray:
    """Return a polyline of even steps smoothed over a few of them."""
    kernel = np.array([1.0, 4, 7, 8, 7, 4, 1]) / 32
    padded = np.concatenate([2 * line[0] - line[3:0:-1], line, 2 * line[-1] - line[-2:-5:-1]])
    return np.stack([np.convolve(padded[:, axis], kernel, "valid") for axis in (0, 1)], axis=1)


def _fit(points: FloatArray, degree: int, margin: float) -> _MidLine:
    """Return a polynomial mid-line through ordered points, extended by ``margin`` px."""
    s = arc_length(points)
    length = max(float(s[-1]), 1e-6)
    u = 2 * s / length - 1
    coefficients = legendre.legfit(u, points, min(degree, max(1, points.shape[0] // 3)))
    # the corners were left out of the fit, but the curve holds there
    over = 1.0 + 2 * min(CORNER_PX, 0.02 * length) / length
    dense = np.linspace(-over, over, int(np.clip(length, 16, 6000)) + 1)
    point = np.asarray(legendre.legval(dense, coefficients), float).T
    velocity = legendre.legval(dense, legendre.legder(coefficients)).T
    bend = legendre.legval(dense, legendre.legder(coefficients, 2)).T
    speed = np.maximum(np.hypot(*velocity.T), 1e-9)
    tangent = velocity / speed[:, None]
    curvature = (velocity[:, 0] * bend[:, 1] - velocity[:, 1] * bend[:, 0]) / speed**3
    along = arc_length(point)
    reach = np.linspace(2.0, max(2.0, margin), max(2, int(margin / 2)))
    before = point[0] - reach[::-1, None] * tangent[0]
    after = point[-1] + reach[:, None] * tangent[-1]
    repeat = reach.size
    return _MidLine(
        s=np.concatenate([-reach[::-1], along, along[-1] + reach]),
        point=np.concatenate([before, point, after]),
        tangent=np.concatenate([
            np.repeat(tangent[:1], repeat, 0), tangent, np.repeat(tangent[-1:], repeat, 0)]),
        curvature=np.concatenate([np.zeros(repeat), curvature, np.zeros(repeat)]),
    )


def _project(mid: _MidLine, points: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return (s, offset along the normal) of points relative to the mid-line."""
    if points.shape[0] == 0:
        return np.empty(0), np.empty(0)
    nearest = _nearest(mid.point, points)
    away = points - mid.point[nearest]
    tau = np.einsum("ij,ij->i", away, mid.normal[nearest])
    along = np.einsum("ij,ij->i", away, mid.tangent[nearest])
    # the normals of a bent mid-line fan out: one step of length ds reaches ds·(1 + κτ) at offset τ
    stretch = np.maximum(1 + mid.curvature[nearest] * tau, 0.1)
    return mid.s[nearest] + along / stretch, tau


def _nearest(line: FloatArray, points: FloatArray) -> NDArray[np.intp]:
    """Return the index of the nearest point of a smooth, densely sampled line.

    Far from the line its points are all about as near, which makes a search among all of them
    slow: it is done among every eighth, then among the neighbours of the one found.
    """
    coarse = np.asarray(cKDTree(line[::_COARSE_STEP]).query(points)[1]) * _COARSE_STEP
    around = coarse[:, None] + np.arange(-_COARSE_STEP, _COARSE_STEP + 1)
    around = np.clip(around, 0, line.shape[0] - 1)
    row, col = (line[around, axis] - points[:, axis, None] for axis in (0, 1))
    closest = (row * row + col * col).argmin(axis=1)
    return np.asarray(around[np.arange(points.shape[0]), closest], np.intp)


def _mid_points(mid: _MidLine, sides: Sides) -> FloatArray:
    """Return points midway between the edges on the present normals.

    Where one edge is not in the picture, the other one and the thickness at the nearest place
    where both are known stand in for it.
    """
    located = [_project(mid, edge) for edge in sides.edges]
    low = min(s.min() for s, _ in located)
    high = max(s.max() for s, _ in located)
    grid = np.linspace(low, high, 400)
    tau, good = [], []
    for (s, offset), true in zip(located, sides.edges_true, strict=True):
        order = np.argsort(s, kind="stable")
        tau.append(np.interp(grid, s[order], offset[order]))
        known = np.interp(grid, s[order], true[order].astype(float)) > 0.5
        # corners are never quite sharp: the last pixels of an edge turn in
        rounded = min(CORNER_PX, 0.02 * (s.max() - s.min()))
        good.append(known & (grid >= s.min() + rounded) & (grid <= s.max() - rounded))
    both = good[0] & good[1]
    if both.sum() < 8:  # no place with both edges: what there is has to do
        good = [(grid >= s.min()) & (grid <= s.max()) for s, _ in located]
        both = good[0] & good[1]
        if both.sum() < 8:
            return np.empty((0, 2))
    half = np.interp(grid, grid[both], (tau[1] - tau[0])[both] / 2)
    centre = np.where(good[0], tau[0] + half, tau[1] - half)
    centre = np.where(both, (tau[0] + tau[1]) / 2, centre)
    use = good[0] | good[1]
    point = np.stack([np.interp(grid, mid.s, mid.point[:, axis]) for axis in (0, 1)], axis=1)
    normal = np.stack([np.interp(grid, mid.s, mid.normal[:, axis]) for axis in (0, 1)], axis=1)
    return np.asarray((point + normal * centre[:, None])[use])


def _chain(mid: _MidLine, sides: Sides, which: int) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return (s, offset, 1 where true) of one edge, carried on by the ends beyond it."""
    s, tau = _project(mid, sides.edges[which])
    good = sides.edges_true[which].astype(float)
    ends = [end if which == 0 else end[::-1] for end in sides.ends]
    start_s, start_tau = _project(mid, ends[0])
    finish_s, finish_tau = _project(mid, ends[1])
    centre = int(np.argmin(np.abs(s - (s.min() + s.max()) / 2)))
    ahead = _rising(
        np.concatenate([s[centre:], finish_s]), np.concatenate([tau[centre:], finish_tau]),
        np.concatenate([good[centre:], np.zeros(finish_s.size)]))
    behind = _rising(
        np.concatenate([-s[: centre + 1][::-1], -start_s]),
        np.concatenate([tau[: centre + 1][::-1], start_tau]),
        np.concatenate([good[: centre + 1][::-1], np.zeros(start_s.size)]))
    return (
        np.concatenate([-behind[0][:0:-1], ahead[0]]),
        np.concatenate([behind[1][:0:-1], ahead[1]]),
        np.concatenate([behind[2][:0:-1], ahead[2]]),
    )


def _rising(s: FloatArray, tau: FloatArray, good: FloatArray) -> tuple[FloatArray, ...]:
    """Return the points at which s reaches a new maximum (overhangs are seen from outside)."""
    record = np.maximum.accumulate(s)
    keep = np.concatenate([[True], s[1:] > record[:-1] + 1e-6])
    return s[keep], tau[keep], good[keep]
