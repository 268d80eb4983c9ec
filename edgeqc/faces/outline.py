"""From a coarse region to the outline of a face, side by side, with true corners."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from skimage.measure import find_contours

from edgeqc.faces.best_path import Search, together
from edgeqc.faces.burrs import without_burrs
from edgeqc.faces.corners import (
    border_walk,
    carried_on,
    carried_on_both_ways,
    crossing,
    snapped,
)
from edgeqc.faces.edge import edge_search
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
    found = find_contours(padded, 0.5)  # type: ignore[no-untyped-call]
    contours = [c for c in found if c.shape[0] > 8]
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
    first, second = together([job.edge(coarse, 0), job.edge(coarse, 2)])
    finish, start = together([job.end(coarse, 1), job.end(coarse, 3)])
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

    def _refined(self, line: FloatArray, corners: tuple[bool, bool]) -> Search[Edge]:
        """Return the refined side; towards corners it is carried on straight."""
        reach = OVERSHOOT_CELLS * self.cell
        edge = yield from edge_search(
            self.pixels, carried_on_both_ways(line, reach) - self.origin, -1,
            noise_sd=self.noise_sd, reach_px=max(6.0, REACH_CELLS * self.cell),
            settings=self.settings)
        points, u = without_burrs(edge.points + self.origin, edge.u_px)
        for at_head in (True, False):
            if corners[0 if at_head else 1]:
                points, u = points[::-1], u[::-1]
                points, u = carried_on(points, u, reach + CORNER_CELLS * self.cell)
                points, u = points[::-1], u[::-1]
            points, u = points[::-1], u[::-1]
        return Edge(points, u)

    def edge(self, coarse: CoarseSides, which: int) -> Search[_Run]:
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
            edge = yield from self._refined(piece, corners)
            pieces.append(_Run(edge.points, np.ones(edge.u_px.size, bool), edge.u_px))
        if not pieces:
            return self._laid(points)
        return _chained(pieces, self.field)

    def _laid(self, points: FloatArray) -> _Run:
        n = points.shape[0]
        laid = self.field.clip(snapped(points, self.field))
        return _Run(laid, np.zeros(n, bool), np.full(n, np.nan))

    def end(self, coarse: CoarseSides, which: int) -> Search[_End]:
        """Return an end: refined, or empty where it is a tip or the frame."""
        points, _ = coarse.run(which)
        none = np.empty((0, 2))
        if _framed(coarse, which):
            return _End(none, False, True)
        if arc_length(points)[-1] < SHORT_END_CELLS * self.cell or points.shape[0] < 4:
            return _End(none, True, False)
        edge = yield from self._refined(points, (True, True))
        return _End(edge.points, True, False)


def _framed(coarse: CoarseSides, which: int) -> bool:
    """Return whether a side of a coarse outline is the picture's frame."""
    return bool(coarse.run(which)[1].mean() > 0.5)


def _area(points: FloatArray) -> float:
    """Return the signed area of a polygon; negative where it runs clockwise as seen."""
    row, col = points.T
    return float((row * np.roll(col, -1) - np.roll(row, -1) * col).sum() / 2)


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
        walk = border_walk(edge.points[-1], other.points[0], field)
        return edge, walk, other
    if end.points.shape[0] == 0:
        i, j, corner = crossing(edge.points, other.points, look)
        edge = edge.part(0, i + 1).with_ends(None, corner)
        return edge, np.empty((0, 2)), other.part(j + 1, other.u.size).with_ends(corner, None)
    i, j, corner = crossing(edge.points, end.points, look)
    edge = edge.part(0, i + 1).with_ends(None, corner)
    line = end.points[j + 1 :]
    i, j, corner = crossing(line, other.points, look)
    line = line[: i + 1]
    other = other.part(j + 1, other.u.size).with_ends(corner, None)
    return edge, field.clip(line), other


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
        border = snapped(run.points[last : last + 1], field)[0]
    return kept.with_ends(None, border)


def clockwise(points: FloatArray) -> FloatArray:
    """Return the points (n, 2) of a closed outline in the order in which they run clockwise."""
    return points[::-1] if _area(points - points.mean(axis=0)) > 0 else points


def polygon_area(points: FloatArray) -> float:
    """Return the area of a closed outline (n, 2), in square pixels."""
    return abs(_area(points - points.mean(axis=0)))


def polygon_mask(outline_px: FloatArray, shape: tuple[int, int]) -> BoolArray:
    """Return the pixels whose centres lie inside a closed outline (to 1/256 px)."""
    mask = np.zeros(shape, np.uint8)
    corners = np.round(outline_px[:, ::-1] * 256).astype(np.int32)
    cv2.fillPoly(mask, [corners], 1, lineType=cv2.LINE_8, shift=8)
    return np.asarray(mask > 0)
