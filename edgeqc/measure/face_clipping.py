"""The picture's flags as they concern one face: clipping counts on the face, not beside it."""

from __future__ import annotations

import numpy as np

from edgeqc.faces.face import CutFace
from edgeqc.faces.raster import frame_coordinates
from edgeqc.flags import Raised, raised
from edgeqc.imaging.image import CalibratedImage
from edgeqc.imaging.quality import QualityLimits

_CLIPPING = ("saturated", "saturated_heavily")


def clipped_fraction(image: CalibratedImage, face: CutFace) -> float:
    """Return the share of a face's pixels that are clipped to white or black.

    Parameters
    ----------
    image : CalibratedImage
        The picture.
    face : CutFace
        The face.
    """
    window = frame_coordinates(face, (image.pixels.shape[0], image.pixels.shape[1]))
    here = (window.rows, window.cols)
    values = image.pixels[here][window.inside & image.valid[here]]
    if not values.size:
        return 0.0
    half_level = 0.5 / 255
    return float(np.mean((values >= 1 - half_level) | (values <= half_level)))


def picture_flags_of_face(
    image: CalibratedImage, face: CutFace, limits: QualityLimits | None = None
) -> tuple[Raised, ...]:
    """Return the picture's flags with clipping judged on the face alone.

    Parameters
    ----------
    image : CalibratedImage
        The picture, with its flags.
    face : CutFace
        The face.
    limits : QualityLimits, optional
        The limits that the picture was judged by.

    Notes
    -----
    A background that is clipped takes nothing from a face, and a small face that is clipped may
    not raise the picture's own share; both are put right here.
    """
    limits = limits or QualityLimits()
    kept = [flag for flag in image.flags if flag.name not in _CLIPPING]
    share = clipped_fraction(image, face)
    detail = f"{100 * share:.0f} % of the face"
    if share > limits.max_clipped_heavily_fraction:
        kept.append(raised("saturated_heavily", detail))
    elif share > limits.max_clipped_fraction:
        kept.append(raised("saturated", detail))
    return tuple(kept)
