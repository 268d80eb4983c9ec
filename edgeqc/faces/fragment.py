"""Where in a picture the cut faces lie, coarsely."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import cv2
import numpy as np
from numpy.typing import NDArray

from edgeqc.faces.edge_fit import EdgeSettings
from edgeqc.faces.parts import Parts, picture_parts
from edgeqc.faces.sides import Field
from edgeqc.imaging.image import CalibratedImage
from edgeqc.quantity import BoolArray

FloatImage = NDArray[np.float32]


@dataclass(frozen=True)
class FaceSettings:
    """How faces are found and when they are doubted.

    Parameters
    ----------
    min_area_fraction, max_area_fraction : float
        A face covers at least and at most this share of the picture.
    min_thickness_px : float
        Below this median thickness a face is flagged ``face_small``.
    accept_confidence : float
        A region below this confidence is no face.
    doubt_confidence : float
        Below this confidence the outline is flagged as doubtful.
    max_faces : int
        Most faces in one picture.
    min_complete_fraction : float
        Share of the chords that need both edges in the picture, else ``face_cropped``.
    max_u_edge_px : float
        An edge more doubtful than this, in pixels, is flagged.
    max_lost_edge_fraction : float
        Share of the edge that may be without contrast before the outline is flagged.
    min_side_margin : float
        Margin of the choice of long edges below which it is doubted.
    edge : EdgeSettings
        How the true edge is sought.
    """

    min_area_fraction: float = 0.02
    max_area_fraction: float = 0.93
    min_thickness_px: float = 40.0
    accept_confidence: float = 0.25
    doubt_confidence: float = 0.6
    max_faces: int = 4
    min_complete_fraction: float = 0.6
    max_u_edge_px: float = 3.0
    max_lost_edge_fraction: float = 0.25
    min_side_margin: float = 0.6
    edge: EdgeSettings = field(default_factory=EdgeSettings)


@dataclass(frozen=True)
class FaceRegion:
    """A cut face's region at coarse precision.

    Parameters
    ----------
    mask : (rows, cols) bool array
        The region on a coarse grid that covers the whole picture.
    cell_px : (row, col)
        Size of a cell in picture pixels.
    confidence : float
        How surely this is a cut face with about this outline, 0..1.
    source : {"texture", "learned"}
        What found it.
    """

    mask: BoolArray
    cell_px: tuple[float, float]
    confidence: float
    source: str


def find_face_regions(
    image: CalibratedImage, settings: FaceSettings, *, probability: FloatImage | None = None
) -> tuple[FaceRegion, ...]:
    """Return the regions of the cut faces in a picture, surest first.

    Parameters
    ----------
    image : CalibratedImage
        The picture.
    settings : FaceSettings
        Limits.
    probability : (rows, cols) float32 array, optional
        Probability of "cut face" on a coarse grid that covers the picture, from a learned map.
        Without it the regions come from grey levels, texture and edges alone.

    Notes
    -----
    Without a learned map the picture is cut into parts of even grey and texture; unions of
    touching parts are rated by their shape (a band with two smooth long edges), by how strong the
    border around them is, by how much more texture they hold than what surrounds them, and by the
    bright rim that edges show in secondary electrons.
    """
    if probability is not None:
        return _from_probability(image, settings, probability)
    parts = picture_parts(image)
    return _from_parts(image, settings, parts)


def field_of(image: CalibratedImage) -> Field:
    """Return the rectangle of the picture that shows the specimen (without the data bar)."""
    rows = np.flatnonzero(image.valid.mean(axis=1) > 0.5)
    cols = np.flatnonzero(image.valid.mean(axis=0) > 0.5)
    if rows.size == 0 or cols.size == 0:
        return Field(0.0, 0.0, image.pixels.shape[0] - 1.0, image.pixels.shape[1] - 1.0)
    return Field(float(rows[0]), float(cols[0]), float(rows[-1]), float(cols[-1]))


def _from_probability(
    image: CalibratedImage, settings: FaceSettings, probability: FloatImage
) -> tuple[FaceRegion, ...]:
    """Return the regions of a learned map of P(face)."""
    rows, cols = probability.shape
    cell = (image.pixels.shape[0] / rows, image.pixels.shape[1] / cols)
    smooth = cv2.GaussianBlur(np.asarray(probability, np.float32), (0, 0), 0.7)
    count, labels, stats, _ = cv2.connectedComponentsWithStats(
        (smooth > 0.5).astype(np.uint8), connectivity=4)
    found = []
    for label in range(1, count):
        if stats[label, cv2.CC_STAT_AREA] < settings.min_area_fraction * rows * cols:
            continue
        mask = _filled(labels == label)
        found.append(FaceRegion(mask, cell, _map_confidence(probability, mask), "learned"))
    found.sort(key=lambda region: -region.confidence)
    sure = [r for r in found if r.confidence >= settings.accept_confidence]
    return tuple(sure[: settings.max_faces])


def _map_confidence(probability: FloatImage, mask: BoolArray) -> float:
    """Return how decided a map is on a region: decided inside, and decided around it."""
    inner = cv2.erode(mask.astype(np.uint8), np.ones((3, 3), np.uint8)) > 0
    outer = cv2.dilate(mask.astype(np.uint8), np.ones((9, 9), np.uint8)) > 0
    ring = outer & ~(cv2.dilate(mask.astype(np.uint8), np.ones((3, 3), np.uint8)) > 0)
    inside = float(probability[inner].mean()) if inner.any() else 0.0
    around = float(1 - probability[ring].mean()) if ring.any() else 0.5
    return float(np.clip(2 * min(inside, 0.5 + 0.5 * around) - 1, 0, 1))


def _filled(mask: BoolArray) -> BoolArray:
    """Return a region without holes, opened by one cell to cut off threads."""
    plain = cv2.morphologyEx(mask.astype(np.uint8), cv2.MORPH_OPEN, np.ones((3, 3), np.uint8))
    contours, _ = cv2.findContours(plain, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    if not contours:
        return mask
    largest = max(contours, key=cv2.contourArea)
    out = np.zeros(mask.shape, np.uint8)
    cv2.drawContours(out, [largest], -1, 1, cv2.FILLED)
    return np.asarray(out > 0)


def _from_parts(
    image: CalibratedImage, settings: FaceSettings, parts: Parts
) -> tuple[FaceRegion, ...]:
    """Return the best-rated unions of parts that do not overlap."""
    rows, cols = parts.labels.shape
    cell = (image.pixels.shape[0] / rows, image.pixels.shape[1] / cols)
    low, high = (limit * rows * cols for limit in (
        settings.min_area_fraction, settings.max_area_fraction))
    rated = []
    for members in parts.unions(low, high):
        quick = parts.border_contrast(members)
        rated.append((quick, members))
    rated.sort(key=lambda pair: -pair[0])
    scored = []
    for quick, members in rated[:80]:
        mask = _filled(parts.mask(members))
        scored.append((quick + _shape_rating(mask, parts), members, mask))
    scored.sort(key=lambda item: -item[0])
    found: list[FaceRegion] = []
    taken: set[int] = set()
    best = scored[0][0] if scored else 0.0
    for rating, members, mask in scored:
        if taken & set(members) or len(found) >= settings.max_faces:
            continue
        if found and rating < best - 0.6:
            break
        taken |= set(members)
        confidence = 1 / (1 + math.exp(-4.0 * (rating - 1.2)))
        if confidence >= settings.accept_confidence:
            found.append(FaceRegion(mask, cell, confidence, "texture"))
    return tuple(found)


def _shape_rating(mask: BoolArray, parts: Parts) -> float:
    """Return how like a cut face a region is by its shape, texture and rim."""
    contours, _ = cv2.findContours(mask.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    contour = max(contours, key=cv2.contourArea)
    area = float(mask.sum())
    (_, size, _) = cv2.minAreaRect(contour)
    boxed = area / max(size[0] * size[1], 1.0)
    hull = cv2.convexHull(contour)
    solid = area / max(cv2.contourArea(hull), 1.0)
    longish = math.log(max(size) / max(min(size), 1.0))
    inner = cv2.erode(mask.astype(np.uint8), np.ones((5, 5), np.uint8)) > 0
    outer = cv2.dilate(mask.astype(np.uint8), np.ones((9, 9), np.uint8)) > 0
    outer &= ~(cv2.dilate(mask.astype(np.uint8), np.ones((5, 5), np.uint8)) > 0)
    textured = 0.0
    if inner.any() and outer.any():
        textured = float(np.clip(
            np.median(parts.texture[inner]) - np.median(parts.texture[outer]), -2, 2))
    return float(0.5 * min(boxed, 0.9) + 0.8 * min(solid, 0.95) + 0.25 * np.clip(longish, 0, 1.2)
                 + 0.2 * textured)
