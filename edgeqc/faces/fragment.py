"""Where in a picture the cut faces lie, coarsely."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from edgeqc.faces.edge_fit import EdgeSettings
from edgeqc.faces.parts import Parts, picture_parts
from edgeqc.faces.rating import rating_confidence, region_features, region_rating
from edgeqc.faces.sides import Field
from edgeqc.imaging.image import CalibratedImage
from edgeqc.quantity import BoolArray

FloatImage = NDArray[np.float32]

WAVERING = 0.4
"""A probability between 0.1 and 0.9 away from the region's border is undecided."""

RATED_UNIONS = 120
"""Unions of parts that are rated in full: those with the strongest borders."""

SECOND_FACE_MARGIN, SECOND_FACE_RATING = 3.0, 6.0
"""A further face is rated at most so much below the first, and at least so high."""

HALF_TRUSTED, HALF_TRUSTED_PICTURE = 0.17, 0.35
"""Undecided cells nearest to a region, and in the whole picture, as a share of the region, at which
every second outline is wrong (ours, 296 faces that the map was not fitted on: below a share of
0.1 in the whole picture 261 of 267 outlines reach an IoU of 0.95, from 0.1 to 0.25 14 of 20, above
it 1 of 9)."""


_TAKEN = 0.3
"""Probability of lens given to other faces: too small for lens, too large for ground."""


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
    max_raggedness : float
        Scatter of the thickness about a smooth course, as a fraction of it, above which the
        outline is doubted.
    max_uncovered_fraction : float
        Difference between the face's area and the area that its chords sweep, as a fraction of
        it, above which the outline is doubted.
    min_side_margin : float
        Margin of the choice of long edges below which it is doubted.
    edge : EdgeSettings
        How the true edge is sought.
    """

    min_area_fraction: float = 0.02
    max_area_fraction: float = 0.93
    min_thickness_px: float = 40.0
    accept_confidence: float = 0.04
    doubt_confidence: float = 0.5
    max_faces: int = 4
    min_complete_fraction: float = 0.6
    max_u_edge_px: float = 1.5
    max_lost_edge_fraction: float = 0.25
    max_raggedness: float = 0.015
    max_uncovered_fraction: float = 0.05
    min_side_margin: float = 0.6
    edge: EdgeSettings = field(default_factory=EdgeSettings)


_SEVERED_MAX = 0.04
"""Area of a part cut off with a thread, as a part of the region's, from which one has to ask."""


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
    probability : (rows, cols) float32 array, optional
        The learned map of P(face) that it was found in.
    lens : (rows, cols) float32 array, optional
        The learned map of P(lens), the cut face or not; other faces are neither lens nor ground.
    completed : bool
        Whether a part that the map left out was filled in.
    perhaps_more : bool
        Whether a part of the lens beside it, or one that hung on it by a thread, may be cut as
        well.
    """

    mask: BoolArray
    cell_px: tuple[float, float]
    confidence: float
    source: str
    probability: FloatImage | None = None
    lens: FloatImage | None = None
    completed: bool = False
    perhaps_more: bool = False


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
    probability : (rows, cols) or (3, rows, cols) float32 array, optional
        Probability of "cut face" on a coarse grid that covers the picture, from a learned map, or
        those of background, other lens body and cut face. Without it the regions come from grey
        levels, texture and edges alone.

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
    image: CalibratedImage, settings: FaceSettings, classes: FloatImage
) -> tuple[FaceRegion, ...]:
    """Return the regions of a learned map of P(face), or of all classes."""
    probability = classes[-1] if classes.ndim == 3 else classes
    rows, cols = probability.shape
    cell = (image.pixels.shape[0] / rows, image.pixels.shape[1] / cols)
    smooth = cv2.GaussianBlur(np.asarray(probability, np.float32), (0, 0), 0.7)
    count, labels, stats, _ = cv2.connectedComponentsWithStats(
        (smooth > 0.5).astype(np.uint8), connectivity=4)
    large = [label for label in range(1, count)
             if stats[label, cv2.CC_STAT_AREA] >= settings.min_area_fraction * rows * cols]
    masks = [filled(labels == label) for label in large]
    nearest = _nearest(masks, probability.shape)
    found = [
        FaceRegion(
            mask, cell, _map_confidence(probability, mask, nearest == i), "learned", probability,
            perhaps_more=_severed(labels == large[i], mask))
        for i, mask in enumerate(masks)]
    found.sort(key=lambda region: -region.confidence)
    sure = [r for r in found if r.confidence >= settings.accept_confidence][: settings.max_faces]
    if classes.ndim == 3:
        lens = 1 - classes[0]
        sure = [replace(region, lens=_free_of(lens, region, sure)) for region in sure]
    return tuple(sure)


def _severed(whole: BoolArray, mask: BoolArray) -> bool:
    """Return whether a part that hung on a region by a thread was cut off with it."""
    rest = (whole & ~mask).astype(np.uint8)
    opened = cv2.morphologyEx(rest, cv2.MORPH_OPEN, np.ones((3, 3), np.uint8))
    _, _, stats, _ = cv2.connectedComponentsWithStats(opened, connectivity=4)
    parts = stats[1:, cv2.CC_STAT_AREA]
    return bool(parts.size) and bool(parts.max() > _SEVERED_MAX * mask.sum())


def _free_of(lens: FloatImage, region: FaceRegion, faces: list[FaceRegion]) -> FloatImage:
    """Return the map of lens without the other faces and what touches them, nor as ground."""
    others = [face.mask for face in faces if face is not region]
    if not others:
        return lens
    taken = cv2.dilate(np.any(others, axis=0).astype(np.uint8), np.ones((3, 3), np.uint8))
    return np.where(taken > 0, np.float32(_TAKEN), lens)


def _nearest(masks: list[BoolArray], shape: tuple[int, ...]) -> NDArray[np.intp]:
    """Return for each cell the index of the nearest region."""
    if not masks:
        return np.zeros(shape, np.intp)
    away = [cv2.distanceTransform(1 - mask.astype(np.uint8), cv2.DIST_L2, 3) for mask in masks]
    return np.asarray(np.argmin(np.stack(away), axis=0))


def _map_confidence(probability: FloatImage, mask: BoolArray, region: BoolArray) -> float:
    """Return how decided a map is in and around a region, as the chance that it is right.

    Parameters
    ----------
    probability : (rows, cols) float32 array
        P(cut face).
    mask : (rows, cols) bool array
        The region.
    region : (rows, cols) bool array
        Cells nearer to this region than to any other.
    """
    plain = (probability > 0.5).astype(np.uint8)
    box = np.ones((5, 5), np.uint8)
    border = cv2.dilate(plain, box) > cv2.erode(plain, box)
    wavering = (np.abs(probability - 0.5) < WAVERING) & ~border
    area = max(float(mask.sum()), 1.0)
    near = float((wavering & region).sum()) / area / HALF_TRUSTED
    anywhere = float(wavering.sum()) / area / HALF_TRUSTED_PICTURE
    return float(1.0 / (1.0 + max(near, anywhere) ** 1.7))


def filled(mask: BoolArray) -> BoolArray:
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
    unions = parts.unions(low, high)
    unions.sort(key=lambda members: -parts.border_contrast(members))
    rated: list[tuple[float, BoolArray]] = []
    for members in unions[:RATED_UNIONS]:
        mask = filled(parts.mask(members))
        if low <= mask.sum() <= high:
            rated.append((region_rating(region_features(mask, parts, members)), mask))
    rated.sort(key=lambda pair: -pair[0])
    found: list[FaceRegion] = []
    taken = np.zeros((rows, cols), bool)
    for rating, mask in rated:
        if len(found) >= settings.max_faces or rating < rated[0][0] - SECOND_FACE_MARGIN:
            break
        confidence = rating_confidence(rating)
        if confidence < settings.accept_confidence or (found and rating < SECOND_FACE_RATING):
            break
        if (taken & mask).any():
            continue
        taken |= mask
        found.append(FaceRegion(mask, cell, confidence, "texture"))
    return tuple(found)
