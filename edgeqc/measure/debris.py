"""Debris on the face: pieces that stand out of the texture, counted, and their area."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

import cv2
import numpy as np
from numpy.typing import NDArray

from edgeqc.faces.face import CutFace
from edgeqc.faces.raster import FaceRaster, FrameWindow, face_raster, frame_coordinates
from edgeqc.flags import Raised, raised
from edgeqc.imaging.image import CalibratedImage
from edgeqc.quantity import COVERAGE_FACTOR, Measured, combine
from edgeqc.zoning.zones import OBSCURED, ZoneMap

Plane = NDArray[np.float32]
Part = tuple[slice, slice]


@dataclass(frozen=True)
class DebrisSettings:
    """What counts as a piece of debris.

    Parameters
    ----------
    scales_px : tuple of float
        Standard deviations of the smoothing at which pieces are looked for.
    strong, weak : float
        Height over the local spread of the texture: a strong piece counts by itself, a weak one
        where the zone map holds the place for obscured as well.
    min_obscured : float
        Least probability of obscured, averaged over a weak piece.
    min_area_px : int
        Least area of a piece.
    max_elongation : float
        Longest piece, as length over width; longer ones are ridges and scratches.
    edge_px : int
        Margin along the outline that is left out: rims are bright there.
    unseen_share : float
        Standard uncertainty for faint pieces, as a share of the count; on drawn pictures about
        a third of the pieces is not seen.
    """

    scales_px: tuple[float, ...] = (1.5, 3.0, 6.0)
    strong: float = 8.0
    weak: float = 5.0
    min_obscured: float = 0.15
    min_area_px: int = 12
    max_elongation: float = 4.0
    edge_px: int = 3
    unseen_share: float = 0.3


@dataclass(frozen=True)
class DebrisMeasures:
    """Debris on a face.

    Parameters
    ----------
    count : Measured or None
        Number of pieces.
    area_fraction : Measured or None
        Share of the face's area that they and other obscured places take.
    reasons : mapping of str to str
        Why a value is missing.
    flags : tuple of Raised
        Doubts.
    """

    count: Measured | None
    area_fraction: Measured | None
    reasons: Mapping[str, str] = field(default_factory=lambda: MappingProxyType({}))
    flags: tuple[Raised, ...] = ()


def measure_debris(
    image: CalibratedImage,
    face: CutFace,
    zones: ZoneMap,
    settings: DebrisSettings | None = None,
    *,
    window: FrameWindow | None = None,
    raster: FaceRaster | None = None,
) -> DebrisMeasures:
    """Return the debris on a face.

    Parameters
    ----------
    image : CalibratedImage
        The picture.
    face : CutFace
        The face.
    zones : ZoneMap
        Its zones; places held for obscured count towards the area.
    settings : DebrisSettings, optional
        What counts as a piece.
    window : FrameWindow, optional
        Frame coordinates of the face, where they are known already.
    raster : FaceRaster, optional
        Its zones on the picture's pixels, where they are known already.

    Notes
    -----
    A piece is a compact place whose smoothed grey level differs from its surroundings by many
    times the spread that the texture around it has on the same scale. The uncertainty of the
    count is that of a Poisson count, plus the weak pieces, each of which may be texture, plus a
    share for pieces that are too faint; that of the area is a pixel along the rim of every piece.
    Pieces of the face's own grey cannot be seen at all: the count is of those that stand out.
    """
    settings = settings or DebrisSettings()
    window = window or frame_coordinates(face, (image.pixels.shape[0], image.pixels.shape[1]))
    here = (window.rows, window.cols)
    on_face = window.inside & image.valid[here]
    total = int(np.count_nonzero(on_face))
    if total < 10 * settings.min_area_px:
        reason = "the face is too small"
        return DebrisMeasures(None, None, MappingProxyType(
            {"debris_count": reason, "debris_area_fraction": reason}))
    raster = raster or face_raster(face, zones.labels, window)
    pieces, weak = find_pieces(
        image.pixels[here], on_face, lambda part: _hidden(window, zones, part), settings)
    count = int(pieces.max())
    obscured = on_face & ((pieces > 0) | (raster.labels == OBSCURED))
    area = float(np.count_nonzero(obscured)) / total
    rim = float(np.count_nonzero(obscured & ~_eroded(obscured))) / total
    area_budget = {"rim of the pieces": rim + 1 / total,
                   "pieces too faint to see": settings.unseen_share * area}
    budget = {"counting": math.sqrt(max(count, 1)), "texture taken for debris": float(weak),
              "pieces too faint to see": settings.unseen_share * count}
    flags = (raised("debris_present", f"{count} pieces"),) if count else ()
    return DebrisMeasures(
        _bounded(float(count), budget, max(count, 1), math.inf),
        _bounded(area, area_budget, max(count, 1), 1.0),
        flags=flags,
    )


def _bounded(value: float, budget: dict[str, float], n: int, most: float) -> Measured:
    """Return a value with its 95 % interval cut off at 0 and at the most that it can be."""
    u = combine(budget)
    low, high = max(0.0, value - COVERAGE_FACTOR * u), min(most, value + COVERAGE_FACTOR * u)
    return Measured(value, u, "1", budget, n, low, high)


def find_pieces(
    pixels: Plane,
    on_face: NDArray[np.bool_],
    hidden: Callable[[Part], Plane] | None = None,
    settings: DebrisSettings | None = None,
) -> tuple[NDArray[np.int32], int]:
    """Return a raster of the pieces' numbers (0 elsewhere), and how many of them are weak.

    Parameters
    ----------
    pixels : (rows, cols) float32 array
        Grey levels.
    on_face : (rows, cols) bool array
        Pixels of the face.
    hidden : function of a window, optional
        Gives the probability that its places are obscured: only weak pieces ask for it.
    settings : DebrisSettings, optional
        What counts as a piece.
    """
    settings = settings or DebrisSettings()
    size = 2 * settings.edge_px + 1
    inner = cv2.erode(on_face.astype(np.uint8), np.ones((size, size), np.uint8),
                      borderType=cv2.BORDER_CONSTANT, borderValue=0.0)
    height = np.zeros(pixels.shape, np.float32)
    share = on_face.astype(np.float32)
    grey = np.asarray(pixels * share, np.float32)
    for scale in settings.scales_px:
        np.maximum(height, _height(grey, share, scale), out=height)
    height[inner == 0] = 0
    mask = cv2.morphologyEx((height > settings.weak).astype(np.uint8), cv2.MORPH_CLOSE,
                            np.ones((5, 5), np.uint8))
    count, labels, stats, _ = cv2.connectedComponentsWithStats(mask, connectivity=8)
    pieces = np.zeros(pixels.shape, np.int32)
    number, weak = 0, 0
    for label in range(1, count):
        left, top, width, tall, area = (int(v) for v in stats[label])
        part = (slice(top, top + tall), slice(left, left + width))
        at = labels[part] == label
        if area < settings.min_area_px or not _compact(at, settings.max_elongation):
            continue
        strong = float(height[part][at].max()) >= settings.strong
        if not strong and (hidden is None
                           or float(hidden(part)[at].mean()) < settings.min_obscured):
            continue
        number += 1
        weak += not strong
        pieces[part][at] = number
    return pieces, weak


def _height(grey: Plane, share: Plane, scale: float) -> Plane:
    """Difference from the surroundings at a scale, over the texture's local spread there.

    ``share`` is 1 on the face and 0 beside it, where ``grey`` is 0 too.
    """
    # smoothing by s needs no finer raster than s/1.5
    reduction = max(1, int(scale / 1.5))
    size = (grey.shape[1] // reduction, grey.shape[0] // reduction)
    if min(size) < 8:
        return np.zeros(grey.shape, np.float32)
    mask, small = (
        np.asarray(cv2.resize(plane, size, interpolation=cv2.INTER_AREA), np.float32)
        for plane in (share, grey)
    )
    s = scale / reduction
    near = _smooth(small, s) / np.maximum(_smooth(mask, s), 0.05)
    wide = _smooth(small, 6 * s + 8) / np.maximum(_smooth(mask, 6 * s + 8), 0.02)
    rest = near - wide
    inside = mask > 0.5
    if not inside.any():
        return np.zeros(grey.shape, np.float32)
    spread = 1.4826 * float(np.median(np.abs(rest[inside] - np.median(rest[inside]))))
    # what stands out must not raise its own yardstick
    square = np.minimum(rest * rest, 9 * spread * spread) * mask
    local = np.sqrt(_smooth(square, 40) / np.maximum(_smooth(mask, 40), 0.02))
    yardstick = np.maximum(np.maximum(local, 0.7 * spread), 0.5 / 255)
    height = np.abs(rest) / yardstick * (mask > 0.3)
    return np.asarray(cv2.resize(np.asarray(height, np.float32), grey.shape[::-1],
                                 interpolation=cv2.INTER_LINEAR), np.float32)


def _smooth(plane: Plane, sigma: float) -> Plane:
    """Gaussian smoothing; wide ones on a coarser raster, which they cannot tell from this one."""
    factor = max(1, int(sigma / 4))
    rows, cols = plane.shape
    if factor == 1 or min(rows, cols) < 4 * factor:
        return np.asarray(cv2.GaussianBlur(plane, (0, 0), sigma), np.float32)
    small = cv2.resize(plane, (cols // factor, rows // factor), interpolation=cv2.INTER_AREA)
    small = cv2.GaussianBlur(small, (0, 0), sigma / factor)
    return np.asarray(cv2.resize(small, (cols, rows), interpolation=cv2.INTER_LINEAR), np.float32)


def _compact(at: NDArray[np.bool_], max_elongation: float) -> bool:
    row, col = np.nonzero(at)
    if row.size < 3:
        return False
    cov = np.cov(np.stack([row, col]).astype(float)) + np.eye(2) / 12
    small, large = np.sqrt(np.linalg.eigvalsh(cov))
    # an ellipse of these half axes (twice the sd) would have this area
    filled = row.size / (4 * math.pi * small * large)
    return bool(large <= max_elongation * small and filled > 0.5)


def _eroded(mask: NDArray[np.bool_]) -> NDArray[np.bool_]:
    return np.asarray(cv2.erode(mask.astype(np.uint8), np.ones((3, 3), np.uint8)), np.bool_)


def _hidden(window: FrameWindow, zones: ZoneMap, part: Part) -> Plane:
    """Return the probability that the places of a part of the face's window are obscured."""
    n_t, n_s = zones.labels.shape
    longest = max(float(window.station.max()), 1.0)
    column = np.clip((window.station[part] * (n_s / longest)).astype(np.intp), 0, n_s - 1)
    row = np.clip((window.t[part] * n_t).astype(np.intp), 0, n_t - 1)
    return np.asarray(zones.probability[3][row, column], np.float32)
