"""The picture's flags as they concern one face: clipping counts on the face, not beside it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from edgeqc.faces.face import CutFace
from edgeqc.faces.outline import polygon_mask
from edgeqc.flags import Raised, raised, verdict_of
from edgeqc.imaging.image import CalibratedImage
from edgeqc.imaging.quality import QualityLimits

CLIPPING_FLAGS = frozenset({"saturated", "saturated_heavily"})
"""Flags of a picture that are judged anew on each of its faces."""

_HALF_LEVEL = 0.5 / 255
_BESIDE = 0.04
"""Width of the strip around a face, and its distance from the outline, as a share of the face's
thickness. Clipped patches narrower than that are the bright rim of an edge, not a part of the face
that is lost."""


def clipped_fraction(image: CalibratedImage, face: CutFace) -> float:
    """Return the share of a face's pixels that are clipped to white or black.

    Parameters
    ----------
    image : CalibratedImage
        The picture.
    face : CutFace
        The face.
    """
    here, inside = _around(image, face, 0)
    values = image.pixels[here][inside & image.valid[here]]
    if not values.size:
        return 0.0
    return float(np.mean((values >= 1 - _HALF_LEVEL) | (values <= _HALF_LEVEL)))


def clipped_beside(image: CalibratedImage, face: CutFace) -> float:
    """Return the share of the strip around a face that lies in patches clipped to white.

    Parameters
    ----------
    image : CalibratedImage
        The picture.
    face : CutFace
        The face.
    """
    reach = max(2, round(_BESIDE * float(np.median(face.thickness_px))))
    here, inside = _around(image, face, 3 * reach)
    white = (image.pixels[here] >= 1 - _HALF_LEVEL) & image.valid[here]
    if not white.any():
        return 0.0
    away = cv2.distanceTransform((~inside).astype(np.uint8), cv2.DIST_L2, cv2.DIST_MASK_5)
    # next to the outline lies the edge's own blur
    strip = (away > reach) & (away <= 2 * reach) & image.valid[here]
    if not strip.any():
        return 0.0
    patches = cv2.morphologyEx(
        white.astype(np.uint8), cv2.MORPH_OPEN, np.ones((reach, reach), np.uint8))
    return float(np.mean(patches[strip] > 0))


def _around(
    image: CalibratedImage, face: CutFace, pad: int
) -> tuple[tuple[slice, slice], NDArray[np.bool_]]:
    """Return a window around a face, and which of its pixels lie on the face."""
    shape = np.array(image.pixels.shape)
    low = np.clip(np.floor(face.outline_px.min(axis=0)).astype(int) - pad, 0, shape - 1)
    high = np.clip(np.ceil(face.outline_px.max(axis=0)).astype(int) + pad, 0, shape - 1)
    size = (int(high[0] - low[0]) + 1, int(high[1] - low[1]) + 1)
    here = (slice(int(low[0]), int(high[0]) + 1), slice(int(low[1]), int(high[1]) + 1))
    return here, polygon_mask(face.outline_px - low, size)


def clipping_flags(
    image: CalibratedImage, face: CutFace, limits: QualityLimits | None = None
) -> tuple[Raised, ...]:
    """Return the doubts about a face by what is clipped on it or beside it.

    Parameters
    ----------
    image : CalibratedImage
        The picture.
    face : CutFace
        The face.
    limits : QualityLimits, optional
        The limits that the picture was judged by.

    Notes
    -----
    A small face that is clipped may not raise the picture's own share, and a background that is
    white all round takes nothing from a face. A white patch beside a part
    of the outline may be a part of the face that charging has swamped: that is for review.
    """
    limits = limits or QualityLimits()
    share = clipped_fraction(image, face)
    detail = f"{100 * share:.0f} % of the face"
    if share > limits.max_clipped_heavily_fraction:
        return (raised("saturated_heavily", detail),)
    if share > limits.max_clipped_fraction:
        return (raised("saturated", detail),)
    beside = clipped_beside(image, face)
    if limits.max_clipped_beside_fraction < beside < limits.min_clipped_background_fraction:
        return (raised("saturated", f"beside {100 * beside:.0f} % of the face's outline"),)
    return ()


def judge_clipping(
    image: CalibratedImage, faces: Sequence[CutFace], limits: QualityLimits | None = None
) -> tuple[CalibratedImage, tuple[CutFace, ...]]:
    """Return a picture and its faces with clipping held against each face, not the picture.

    Parameters
    ----------
    image : CalibratedImage
        The picture, with its flags.
    faces : sequence of CutFace
        Its faces.
    limits : QualityLimits, optional
        The limits that the picture was judged by.

    Returns
    -------
    image : CalibratedImage
        The picture; a note stands in place of its clipping flags where any face can be used.
    faces : tuple of CutFace
        The faces with their own clipping flags; none of a rejected picture.
    """
    judged = tuple(
        replace(face, flags=(*face.flags, *clipping_flags(image, face, limits))) for face in faces)
    clipped = next((flag for flag in image.flags if flag.name in CLIPPING_FLAGS), None)
    if all(verdict_of(face.flags) == "rejected" for face in judged):
        # nothing is left to put in the picture's place
        return image, () if verdict_of(image.flags) == "rejected" else judged
    if clipped is None:
        return image, judged
    kept = tuple(flag for flag in image.flags if flag.name not in CLIPPING_FLAGS)
    return replace(image, flags=(*kept, raised("background_clipped", clipped.detail))), judged
