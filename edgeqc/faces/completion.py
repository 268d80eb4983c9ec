"""Parts of a cut face that the learned map left out, filled in between the face's own edges.

A stretch that scissors took may be as smooth as the lens's own surface and pass for it. The map
then shows a face with a notch, or one that ends before its edges do. A notch is filled where the
edges, carried straight across its mouth, show the step of grey that they show elsewhere, or where
the picture's frame closes it; a stretch beyond an end, where the edges go on there
(``edgeqc.faces.going_on``) and it lies in line with the face. A part on whose name the map wavers,
and which looks cut at full resolution (``edgeqc.faces.surface_looks``), is not added: it makes the
outline doubtful.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import map_coordinates

from edgeqc.faces.face import CutFace
from edgeqc.faces.fragment import FaceRegion
from edgeqc.faces.sides import Field
from edgeqc.faces.surface_looks import belongs_to_cut, surface_features
from edgeqc.imaging.image import CalibratedImage
from edgeqc.quantity import BoolArray, FloatArray

_LEAST_NOTCH = 0.01
"""Area of a notch worth filling, as a part of the region's."""
_LEAST_DEPTH = 0.10
"""Farthest that a notch reaches from the region, in thicknesses: a bow is no notch."""
_CLEAR = 0.12
"""Distance from the region, in thicknesses, beyond which a step is not that of its own border."""
_LEAST_READINGS = 12
_LEAST_SHARE = 0.7
"""Share of the readings across a notch's mouth that have to show the edge."""
_SPAN, _SEARCH = 0.08, 0.08
"""Stretch of edge that one reading is the mean of, and how far a step is sought either side."""
_WINDOW = (0.01, 0.06)
"""Distances from an edge at which grey is read, either side."""
_AT_BORDER = 0.035  # thicknesses; how near to the map's border its step of grey lies
_CONTRAST = (0.3, 3.0)
"""Step of grey across a mouth, as a part of that of the region's border."""
_GROUND_MAX = 0.45
"""Difference of the ground outside a mouth, in steps of grey across the border."""
_LEAST_STEP = 0.03
"""Step of grey, of full scale 1, below which a border says nothing."""
_TOUCHING = 1.5  # cells
_LENS_MIN, _LENS_LEAST = 0.5, 0.4
"""Probability from which a cell is lens, face or not; least mean of a notch."""
_ENDS = {
    "top": ("left", "right"), "bottom": ("left", "right"),
    "left": ("top", "bottom"), "right": ("top", "bottom"),
}  # fmt: skip
"""Sides of the picture at which a face's ends lie, by the side of a long edge."""
_LEAST_BEYOND = 0.02
"""Area of a stretch beyond an end worth adding, as a part of the region's."""
_IN_LINE = 0.93
"""Share of a stretch that has to lie between the edges carried on."""
_FILLED = 0.6
"""Share of the room between them that it has to take up, as far as it reaches."""
_ROOM, _FLARE = 0.08, 0.15
"""Room beside the edges carried on, in thicknesses, and its growth per length beyond the end."""
_LEAST_PART = 0.04
"""Area of a part beside the face worth asking about, as a part of the region's."""
_WAVERS = -4.5
"""Mean log-probability of a face from which the map wavers on a part: lens surfaces lie about -6.5
(93 of 100 beside found faces below it)."""
_DOUBTED_MIN = 0.5
"""Probability of a cut from which a part on whose name the map wavers makes the outline doubtful.
No probability tells what to add: of 700 fresh faces two were completed and three spoilt by parts
added from 0.9 on."""
_GROUND_MAX_LENS = 0.1
"""Probability of lens up to which a cell is ground."""
_FITTED = (0.03, 0.5)
"""Stretch of the face, from the end, that is carried on; in thicknesses."""
_FLOOR = 1e-3  # of probabilities
_SMALL, _WIDE = np.ones((3, 3), np.uint8), np.ones((5, 5), np.uint8)


@dataclass(frozen=True)
class _Walk:
    """Places one cell apart round a region's convex hull, in picture pixels.

    Parameters
    ----------
    at_px, along, inward : (n, 2) float arrays
        Place, unit vector along the hull, and unit vector towards its inside.
    cell : (n, 2) int array
        Row and column on the region's grid.
    gap : (n,) float array
        Distance from the region, in cells.
    on_frame : (n,) bool array
        Whether the picture ends here.
    """

    at_px: FloatArray
    along: FloatArray
    inward: FloatArray
    cell: NDArray[np.intp]
    gap: FloatArray
    on_frame: BoolArray


def notches_filled(
    region: FaceRegion, pixels: NDArray[np.float32], field: Field, towards: str
) -> BoolArray:
    """Return a region's mask with the notches filled that the face's own edges close.

    Parameters
    ----------
    region : FaceRegion
        The region, with the learned map of lens.
    pixels : float32 array
        The picture, of full scale 1.
    field : Field
        The part of the picture that shows the specimen.
    towards : str
        Side of the picture towards which a long edge is known to lie, or empty. A notch that the
        frame closes is filled only where it is known to lie at an end: beside a long edge it may
        be the lens's own surface.
    """
    if region.lens is None:
        return region.mask
    lens, plain = region.lens, region.mask.astype(np.uint8)
    hull = _hull(plain)
    lacking = cv2.morphologyEx(_drawn(hull, plain.shape) & (1 - plain), cv2.MORPH_OPEN, _SMALL)
    thickness = 2 * float(cv2.distanceTransform(np.pad(plain, 1), cv2.DIST_L2, 3).max())  # cells
    away = np.asarray(cv2.distanceTransform(1 - plain, cv2.DIST_L2, 3), np.float32)
    notches = [
        part for part in _large_parts(lacking, _LEAST_NOTCH * plain.sum())
        if away[part].max() > _LEAST_DEPTH * thickness and lens[part].mean() > _LENS_LEAST
    ]  # fmt: skip
    if not notches:
        return region.mask
    walk = _walk(hull, away, region.cell_px, field)
    shows = _shows_the_edge(walk, pixels, thickness * float(np.mean(region.cell_px)))
    if shows is None:
        return region.mask
    at_end = np.isin(field.nearest_side(walk.at_px), _ENDS.get(towards, ()))
    filled = plain.copy()
    for notch in notches:
        near = _grown(notch, _WIDE)[walk.cell[:, 0], walk.cell[:, 1]] > 0
        mouth = near & (walk.gap > _CLEAR * thickness) & ~walk.on_frame
        framed = near & (walk.gap >= _TOUCHING) & walk.on_frame
        closed = mouth.sum() >= _LEAST_READINGS and shows[mouth].mean() >= _LEAST_SHARE
        if closed or (framed.any() and at_end[framed].all() and not mouth.any()):
            filled |= notch.astype(np.uint8)
    return _closed(filled) if (filled > plain).any() else region.mask


def _large_parts(plane: NDArray[np.generic], least: float) -> list[BoolArray]:
    """Return the connected parts of a plane that are large enough."""
    count, labels, stats, _ = cv2.connectedComponentsWithStats(
        plane.astype(np.uint8), connectivity=4
    )
    areas = stats[:, cv2.CC_STAT_AREA]
    return [np.asarray(labels == part) for part in range(1, count) if areas[part] >= least]


def _hull(plain: NDArray[np.uint8]) -> FloatArray:
    """Return the corners (n, 2) of a region's convex hull, row and column."""
    contours, _ = cv2.findContours(plain, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    points = cv2.convexHull(max(contours, key=cv2.contourArea))[:, 0]
    return np.asarray(points[:, ::-1], float)


def _drawn(corners: FloatArray, shape: tuple[int, ...]) -> NDArray[np.uint8]:
    """Return a polygon on a grid."""
    plane = np.zeros(shape, np.uint8)
    cv2.fillPoly(plane, [np.rint(corners[:, ::-1]).astype(np.int32)], (1,))
    return plane


def _grown(mask: NDArray[np.generic], box: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Return a region grown by half a box all round."""
    return np.asarray(cv2.dilate(mask.astype(np.uint8), box), np.uint8)


def _closed(plain: NDArray[np.uint8]) -> BoolArray:
    """Return a region without the seams between its parts."""
    padded = np.pad(plain, 4, mode="edge")  # else a part at the frame would lose its outer cells
    return np.asarray(cv2.morphologyEx(padded, cv2.MORPH_CLOSE, _WIDE)[4:-4, 4:-4] > 0)


def _walk(
    hull: FloatArray, away: NDArray[np.float32], cell_px: tuple[float, float], field: Field
) -> _Walk:
    """Return the walk round a hull; ``away`` is each cell's distance from the region."""
    ring = np.vstack([hull, hull[:1]])
    length = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(ring, axis=0).T))])
    at = np.linspace(0, length[-1], max(40, int(length[-1])), endpoint=False)
    place = np.stack([np.interp(at, length, ring[:, axis]) for axis in (0, 1)], axis=1)
    at_px = (place + 0.5) * np.asarray(cell_px) - 0.5
    along = np.roll(at_px, -3, axis=0) - np.roll(at_px, 3, axis=0)
    along = along / np.maximum(np.hypot(*along.T), 1e-9)[:, None]
    inward = np.stack([-along[:, 1], along[:, 0]], axis=1)
    inward *= np.sign(((at_px.mean(axis=0) - at_px) * inward).sum(axis=1))[:, None]
    cell = np.rint(place).astype(np.intp)
    gap = away[cell[:, 0], cell[:, 1]].astype(float)
    return _Walk(at_px, along, inward, cell, gap, field.distance(at_px) < 2 * max(cell_px))


def _shows_the_edge(
    walk: _Walk, pixels: NDArray[np.float32], thickness_px: float
) -> BoolArray | None:
    """Return for each place of a walk whether the region's edge is seen there.

    None where the region's own border shows no step to compare with.
    """
    border = (walk.gap < _TOUCHING) & ~walk.on_frame
    if border.sum() < _LEAST_READINGS:
        return None
    offset, inside, outside = _readings(walk, pixels, thickness_px)
    step = np.nan_to_num(inside - outside)
    near = np.abs(offset) < _AT_BORDER
    own_step, own_ground = step[border][:, near], outside[border][:, near]
    clearest = np.abs(own_step).argmax(axis=1)[:, None]
    usual = np.take_along_axis(own_step, clearest, 1)[:, 0]
    read = usual != 0
    usual_step = float(np.median(usual[read])) if read.sum() >= _LEAST_READINGS else 0.0
    if abs(usual_step) < _LEAST_STEP:
        return None
    grounds = np.take_along_axis(own_ground, clearest, 1)[read, 0]
    ground = float(np.median(grounds))
    spread = float(np.median(np.abs(grounds - ground)))
    best = (step * np.sign(usual_step)).argmax(axis=1)[:, None]
    contrast = np.take_along_axis(step, best, 1)[:, 0] / usual_step
    beside = np.take_along_axis(np.nan_to_num(outside), best, 1)[:, 0]
    same_ground = np.abs(beside - ground) < _GROUND_MAX * abs(usual_step) + spread
    low, high = _CONTRAST
    return np.asarray((low < contrast) & (contrast < high) & same_ground)


def _readings(
    walk: _Walk, pixels: NDArray[np.float32], thickness_px: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return offsets (m,) in thicknesses, and grey inside and outside an edge there, (n, m).

    nan where the picture shows too little.
    """
    reach = _SEARCH + _WINDOW[1]
    along = np.linspace(-0.5, 0.5, 7) * _SPAN * thickness_px
    across = np.linspace(-reach, reach, 57)
    line = walk.at_px[:, None] + along[None, :, None] * walk.along[:, None]
    at = line[:, :, None] + (across * thickness_px)[:, None] * walk.inward[:, None, None]
    shown = ((at >= 0) & (at <= np.array(pixels.shape) - 1)).all(axis=-1)
    grey = map_coordinates(pixels, at.reshape(-1, 2).T, order=1, mode="nearest")
    seen = shown.sum(axis=1)
    profile = (grey.reshape(shown.shape) * shown).sum(axis=1) / np.maximum(seen, 1)
    profile[seen < 3] = np.nan
    offset = np.linspace(-_SEARCH, _SEARCH, 17)
    low, high = _WINDOW
    sides = []
    for sign in (1, -1):
        away = sign * (across[None, :] - offset[:, None])
        window = ((away > low) & (away < high)).astype(float)
        there = np.isfinite(profile).astype(float) @ window.T
        total = np.nan_to_num(profile) @ window.T
        sides.append(np.where(there >= 3, total / np.maximum(there, 1), np.nan))
    return offset, sides[0], sides[1]


def lens_beyond_ends(region: FaceRegion, face: CutFace, goes_on: tuple[bool, bool]) -> BoolArray:
    """Return a region's mask with what lies in line with its face where its lens goes on.

    Parameters
    ----------
    region : FaceRegion
        The region that the face was traced in, with the learned map of lens.
    face : CutFace
        The face as traced.
    goes_on : (bool, bool)
        Whether its lens goes on beyond the first and the last of its chords.
    """
    if region.lens is None or not any(goes_on):
        return region.mask
    plain = region.mask.astype(np.uint8)
    found = plain.copy()
    for part, grown in _lens_beside(region, plain, _LEAST_BEYOND):
        at_px = (np.argwhere(part) + 0.5) * np.asarray(region.cell_px) - 0.5
        if any(
            here and _in_line(at_px, face, region.cell_px, first=first)
            for here, first in zip(goes_on, (True, False), strict=True)
        ):
            found |= grown
    return _closed(found) if (found > plain).any() else region.mask


def may_be_cut_beside(region: FaceRegion, image: CalibratedImage) -> bool:
    """Return whether a part of the lens beside a region looks cut at full resolution.

    Parameters
    ----------
    region : FaceRegion
        The region, with the learned maps of face and lens.
    image : CalibratedImage
        The picture.
    """
    if region.lens is None or region.probability is None:
        return False  # no map of all classes
    log_face = np.log(region.probability + _FLOOR)
    plain = region.mask.astype(np.uint8)
    for part, _ in _lens_beside(region, plain, _LEAST_PART):
        if log_face[part].mean() < _WAVERS:
            continue
        planes = (
            _in_pixels(plane, image.valid) for plane in (part, region.mask, _ground_of(region))
        )
        features = surface_features(image.pixels, *planes)
        if features is not None and belongs_to_cut(features) > _DOUBTED_MIN:
            return True
    return False


def _ground_of(region: FaceRegion) -> BoolArray:
    """Return the cells of a region's map that are ground."""
    return np.asarray((np.asarray(region.lens) < _GROUND_MAX_LENS) & ~region.mask)


def _in_pixels(cells: BoolArray, valid: BoolArray) -> BoolArray:
    """Return a mask of cells as one of the picture's valid pixels."""
    size = (valid.shape[1], valid.shape[0])
    plane = cv2.resize(cells.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST)
    return np.asarray((plane > 0) & valid)


def _lens_beside(
    region: FaceRegion, plain: NDArray[np.uint8], least: float
) -> Iterator[tuple[BoolArray, NDArray[np.uint8]]]:
    """Yield each large part of lens that touches a region, as it is and grown to meet it."""
    lens = (np.asarray(region.lens) > _LENS_MIN).astype(np.uint8)
    rest = lens & (1 - _grown(plain, _SMALL))
    opened = cv2.morphologyEx(rest, cv2.MORPH_OPEN, _SMALL)
    for part in _large_parts(opened, least * plain.sum()):
        grown = _grown(part, _WIDE)
        if (_grown(grown, _SMALL) & plain).any():
            yield part, grown & lens


def _in_line(
    at_px: FloatArray, face: CutFace, cell_px: tuple[float, float], *, first: bool
) -> bool:
    """Return whether the cells of a part lie between a face's edges, carried on past an end."""
    order = slice(None) if first else slice(None, None, -1)
    s = np.abs(face.s_px - face.s_px[0 if first else -1])[order]
    edges = face.anterior_px[order], face.posterior_px[order]
    thickness = float(np.median(face.thickness_px))
    near = (s > _FITTED[0] * thickness) & (s < _FITTED[1] * thickness)
    if near.sum() < 20:
        return False
    middle = (edges[0] + edges[1]) / 2
    lines = [np.polyfit(s[near], middle[near, axis], 1) for axis in (0, 1)]
    outward = -np.array([line[0] for line in lines])
    outward = outward / max(float(np.hypot(*outward)), 1e-9)
    width = float(np.polyfit(s[near], np.hypot(*(edges[0] - edges[1])[near].T), 1)[1])
    away = at_px - np.array([line[1] for line in lines])
    along = away @ outward
    across = np.abs(away @ np.array([-outward[1], outward[0]]))
    room = width / 2 + _ROOM * thickness + _FLARE * np.maximum(along, 0)
    between = (along > -0.05 * thickness) & (across < room)
    if between.mean() < _IN_LINE:
        return False
    reach = float(np.quantile(along[between], 0.98))
    area = float(between.sum()) * cell_px[0] * cell_px[1]
    return reach > _ROOM * thickness and area > _FILLED * width * reach
