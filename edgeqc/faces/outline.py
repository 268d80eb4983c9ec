"""From a coarse region to the outline of a face, side by side, with true corners."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from skimage.measure import find_contours

from edgeqc.faces.burrs import without_burrs
from edgeqc.faces.edge import refine_edge
from edgeqc.faces.edge_fit import Edge, EdgeSettings
from edgeqc.faces.frame import Sides, arc_length
from edgeqc.faces.sides import CoarseSides, Field, split_sides
from edgeqc.imaging.image import CalibratedImage
from edgeqc.quantity import BoolArray, FloatArray

REACH_CELLS = 4.0
"""How far, in cells of the coarse grid, a coarse outline may be off."""

FRAME_CELLS = 1.6
"""A coarse outline this near to the field's border, in cells, runs along it."""

OVERSHOOT_CELLS = 3.0
"""How far a side is carried on past its coarse corners, in cells."""

CORNER_CELLS = 1.5
"""Part of a side next to a corner, in cells, that is carried on from the rest of it."""

SHORT_END_CELLS = 4.0
"""An end shorter than this is a tip: the long edges are carried on until they meet."""


@dataclass(frozen=True)
class Outline:
    """A refined outline and how sure it is.

    Parameters
    ----------
    sides : Sides
        Long edges and ends.
    u_edge_px : float
        Standard uncertainty of one edge point across the edge, in pixels (root mean square).
    lost_fraction : float
        Share of the true edge that has next to no contrast.
    side_margin : float
        By how much the choice of long edges beats the next one (0: a toss-up).
    """

    sides: Sides
    u_edge_px: float
    lost_fraction: float
    side_margin: float


def coarse_outline(level: NDArray[np.float32], cell_px: tuple[float, float]) -> FloatArray | None:
    """Return the longest closed contour of a soft mask at one half, in picture pixels.

    Parameters
    ----------
    level : (rows, cols) float32 array
        Membership 0..1 on a grid that covers the picture.
    cell_px : (row, col)
        Size of a cell in pixels.

    Returns
    -------
    (n, 2) float array or None
        Clockwise as seen, first point not repeated; None where nothing reaches one half.
    """
    padded = np.pad(level, 1)
    contours = [c for c in find_contours(padded, 0.5) if c.shape[0] > 8]
    if not contours:
        return None
    largest = max(contours, key=lambda c: abs(_area(c)))[:-1]
    if _area(largest) > 0:
        largest = largest[::-1]
    return np.asarray((largest - 0.5) * np.asarray(cell_px) - 0.5)


def refine_outline(
    image: CalibratedImage, outline_px: FloatArray, field: Field, *, cell_px: float,
    settings: EdgeSettings, towards: str = "",
) -> Outline:
    """Return the true outline near a coarse one.

    Parameters
    ----------
    image : CalibratedImage
        The picture.
    outline_px : (n, 2) float array
        Closed coarse outline (row, col), clockwise as seen.
    field : Field
        The part of the picture that shows the specimen.
    cell_px : float
        Cell size of the coarse grid, in pixels: its precision.
    settings : EdgeSettings
        How the edge is sought.
    towards : str
        Side of the picture towards which a long edge is known to lie, or empty.

    Notes
    -----
    Long edges and ends are refined one by one and carried on past the corners, and the corners
    are where they cross: a refinement of the closed outline would round them off.
    """
    coarse = split_sides(outline_px, field, FRAME_CELLS * cell_px, towards=towards)
    job = _Refiner(image, field, cell_px, settings)
    first, second = job.edge(coarse, 0), job.edge(coarse, 2)
    finish, start = job.end(coarse, 1), job.end(coarse, 3)
    # clockwise: edge 0, end 1, edge 2, end 3
    edge0, finish_line, edge2 = _join(first, finish, second, field, cell_px)
    edge2, start_line, edge0 = _join(edge2, start, edge0, field, cell_px)
    sides = Sides(
        edges=(edge0.points, edge2.points[::-1]),
        edges_true=(edge0.true, edge2.true[::-1]),
        ends=(start_line[::-1], finish_line),
        ends_true=(start.true, finish.true),
    )
    u = np.concatenate([part.u[part.true] for part in (edge0, edge2)])
    if u.size == 0:
        return Outline(sides, float(cell_px), 1.0, coarse.margin)
    lost = float(np.mean(u > LOST_U_PX))
    return Outline(sides, float(np.sqrt(np.mean(u**2))), lost, coarse.margin)


LOST_U_PX = 2.5
"""An edge point more doubtful than this, in pixels, is told by its neighbours alone."""


@dataclass(frozen=True)
class _Run:
    """A refined side: points with marks and doubts."""

    points: FloatArray
    true: BoolArray
    u: FloatArray

    def part(self, first: int, last: int) -> _Run:
        """Return points first .. last - 1."""
        cut = slice(first, last)
        return _Run(self.points[cut], self.true[cut], self.u[cut])

    def with_ends(self, head: FloatArray | None, tail: FloatArray | None) -> _Run:
        """Return the run with a point put before it and after it."""
        points, true, u = self.points, self.true, self.u
        for point, where in ((head, 0), (tail, -1)):
            if point is None or points.shape[0] == 0:
                continue
            at = 0 if where == 0 else points.shape[0]
            points = np.insert(points, at, point, axis=0)
            true = np.insert(true, at, true[where])
            u = np.insert(u, at, u[where])
        return _Run(points, true, u)


@dataclass(frozen=True)
class _End:
    """A refined end: a line, or nothing where it is a tip or the frame."""

    points: FloatArray
    true: bool
    framed: bool


class _Refiner:
    """Refines sides of one outline (holds what all of them share)."""

    def __init__(
        self, image: CalibratedImage, field: Field, cell_px: float, settings: EdgeSettings
    ) -> None:
        top, left = int(field.top), int(field.left)
        self.pixels = np.ascontiguousarray(
            image.pixels[top : int(field.bottom) + 1, left : int(field.right) + 1], np.float32)
        self.origin = np.array([top, left], float)
        self.noise_sd = image.noise_sd
        self.field = field
        self.cell = cell_px
        self.settings = settings

    def _refined(self, line: FloatArray, corners: tuple[bool, bool]) -> Edge:
        """Return the refined side; towards corners it is carried on straight."""
        reach = OVERSHOOT_CELLS * self.cell
        edge = refine_edge(
            self.pixels, _extended(line, reach) - self.origin, -1, noise_sd=self.noise_sd,
            reach_px=max(6.0, REACH_CELLS * self.cell), settings=self.settings)
        points, u = without_burrs(edge.points + self.origin, edge.u_px)
        for at_head in (True, False):
            if corners[0 if at_head else 1]:
                points, u = points[::-1], u[::-1]
                points, u = _carried_on(points, u, reach + CORNER_CELLS * self.cell)
                points, u = points[::-1], u[::-1]
            points, u = points[::-1], u[::-1]
        return Edge(points, u)

    def edge(self, coarse: CoarseSides, which: int) -> _Run:
        """Return a long edge, refined where it is true and laid on the frame where it is not."""
        points, framed = coarse.run(which)
        change = np.flatnonzero(np.diff(framed.astype(int))) + 1
        pieces = []
        for index in np.split(np.arange(points.shape[0]), change):
            piece = points[index]
            if framed[index[0]]:
                if index.size > 2:
                    pieces.append(self._laid(piece))
                continue
            if index.size < 3:
                continue
            corners = (
                index[0] == 0 and not _framed(coarse, (which - 1) % 4),
                index[-1] == points.shape[0] - 1 and not _framed(coarse, (which + 1) % 4))
            edge = self._refined(piece, corners)
            pieces.append(_Run(edge.points, np.ones(edge.u_px.size, bool), edge.u_px))
        if not pieces:
            return self._laid(points)
        return _chained(pieces, self.field)

    def _laid(self, points: FloatArray) -> _Run:
        n = points.shape[0]
        laid = self.field.clip(_snapped(points, self.field))
        return _Run(laid, np.zeros(n, bool), np.full(n, np.nan))

    def end(self, coarse: CoarseSides, which: int) -> _End:
        """Return an end: refined, or empty where it is a tip or the frame."""
        points, _ = coarse.run(which)
        none = np.empty((0, 2))
        if _framed(coarse, which):
            return _End(none, False, True)
        if arc_length(points)[-1] < SHORT_END_CELLS * self.cell or points.shape[0] < 4:
            return _End(none, True, False)
        return _End(self._refined(points, (True, True)).points, True, False)


def _framed(coarse: CoarseSides, which: int) -> bool:
    """Return whether a side of a coarse outline is the picture's frame."""
    return bool(coarse.run(which)[1].mean() > 0.5)


def _area(points: FloatArray) -> float:
    """Return the signed area of a polygon; negative where it runs clockwise as seen."""
    row, col = points.T
    return float((row * np.roll(col, -1) - np.roll(row, -1) * col).sum() / 2)


def _extended(line: FloatArray, length: float) -> FloatArray:
    """Return a polyline carried on straight at both ends."""
    arm = max(1, min(line.shape[0] - 1, line.shape[0] // 6))
    head = line[0] - line[arm]
    tail = line[-1] - line[-1 - arm]
    head = head / max(float(np.hypot(*head)), 1e-9)
    tail = tail / max(float(np.hypot(*tail)), 1e-9)
    return np.concatenate([[line[0] + head * length], line, [line[-1] + tail * length]])


def _carried_on(points: FloatArray, u: FloatArray, drop: float) -> tuple[FloatArray, FloatArray]:
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


def _snapped(points: FloatArray, field: Field) -> FloatArray:
    """Return points moved onto the nearest border of the field."""
    row, col = points[:, 0].copy(), points[:, 1].copy()
    gaps = np.stack([row - field.top, field.bottom - row, col - field.left, field.right - col])
    nearest = np.abs(gaps).argmin(axis=0)
    row[nearest == 0] = field.top
    row[nearest == 1] = field.bottom
    col[nearest == 2] = field.left
    col[nearest == 3] = field.right
    return np.stack([row, col], axis=1)


def _chained(pieces: list[_Run], field: Field) -> _Run:
    """Return one run from true and framed pieces, true ones cut where they leave the field."""
    if len(pieces) == 1:
        return pieces[0]
    kept = []
    for i, piece in enumerate(pieces):
        if not piece.true.any():
            kept.append(piece)
            continue
        inside = np.flatnonzero(field.distance(piece.points) >= 0)
        if inside.size < 2:
            continue
        first = int(inside[0]) if i > 0 else 0
        last = int(inside[-1]) + 1 if i < len(pieces) - 1 else piece.u.size
        kept.append(piece.part(first, last))
    if not kept:
        kept = pieces
    return _Run(
        np.concatenate([p.points for p in kept]), np.concatenate([p.true for p in kept]),
        np.concatenate([p.u for p in kept]))


def _join(
    edge: _Run, end: _End, other: _Run, field: Field, cell_px: float
) -> tuple[_Run, FloatArray, _Run]:
    """Return an edge, the end after it and the edge after that, cut at their corners."""
    look = round(12 * cell_px)
    if end.framed:
        edge = _to_border(edge, field, forward=True)
        other = _to_border(other, field, forward=False)
        walk = _walk(edge.points[-1], other.points[0], field)
        return edge, walk, other
    if end.points.shape[0] == 0:
        i, j, corner = _crossing(edge.points, other.points, look)
        edge = edge.part(0, i + 1).with_ends(None, corner)
        return edge, np.empty((0, 2)), other.part(j + 1, other.u.size).with_ends(corner, None)
    i, j, corner = _crossing(edge.points, end.points, look)
    edge = edge.part(0, i + 1).with_ends(None, corner)
    line = end.points[j + 1 :]
    i, j, corner = _crossing(line, other.points, look)
    line = line[: i + 1]
    other = other.part(j + 1, other.u.size).with_ends(corner, None)
    return edge, field.clip(line), other


def _crossing(first: FloatArray, second: FloatArray, look: int) -> tuple[int, int, FloatArray]:
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
    i, j = np.unravel_index(int(distance.argmin()), distance.shape)
    return base + int(i), int(j), (a[i] + b[j]) / 2


def _to_border(run: _Run, field: Field, *, forward: bool) -> _Run:
    """Return a run cut where it leaves the field at its tail (or head), or carried on to it."""
    if not forward:
        back = _Run(run.points[::-1], run.true[::-1], run.u[::-1])
        back = _to_border(back, field, forward=True)
        return _Run(back.points[::-1], back.true[::-1], back.u[::-1])
    depth = field.distance(run.points)
    inside = np.flatnonzero(depth >= 0)
    if inside.size < 2:
        return _Run(field.clip(run.points), run.true, run.u)
    last = int(inside[-1])
    kept = run.part(int(inside[0]), last + 1)
    if last + 1 < depth.size:
        share = depth[last] / max(depth[last] - depth[last + 1], 1e-9)
        border = run.points[last] + share * (run.points[last + 1] - run.points[last])
    else:
        border = _snapped(run.points[last : last + 1], field)[0]
    return kept.with_ends(None, border)


def _walk(start: FloatArray, stop: FloatArray, field: Field) -> FloatArray:
    """Return the way along the field's border between two points on it, both left out."""
    corners = np.array([
        [field.top, field.left], [field.top, field.right],
        [field.bottom, field.right], [field.bottom, field.left]])
    total = 2 * (field.right - field.left) + 2 * (field.bottom - field.top)
    at = [_border_position(point, field) for point in (start, stop)]
    corner_at = np.array([_border_position(point, field) for point in corners])
    clockwise = (at[1] - at[0]) % total
    if clockwise > total / 2:
        return _walk(stop, start, field)[::-1]
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
    row, col = _snapped(point[None], field)[0]
    width, height = field.right - field.left, field.bottom - field.top
    if row == field.top:
        return float(col - field.left)
    if col == field.right:
        return float(width + row - field.top)
    if row == field.bottom:
        return float(width + height + field.right - col)
    return float(2 * width + height + field.bottom - row)


def polygon_area(points: FloatArray) -> float:
    """Return the area of a closed outline (n, 2), in square pixels."""
    return abs(_area(points - points.mean(axis=0)))


def polygon_mask(outline_px: FloatArray, shape: tuple[int, int]) -> BoolArray:
    """Return the pixels whose centres lie inside a closed outline (to 1/256 px)."""
    mask = np.zeros(shape, np.uint8)
    corners = np.round(outline_px[:, ::-1] * 256).astype(np.int32)
    cv2.fillPoly(mask, [corners], 1, lineType=cv2.LINE_8, shift=8)
    return np.asarray(mask > 0)
