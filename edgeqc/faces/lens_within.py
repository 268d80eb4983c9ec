"""Whether the learned map itself sees the lens's own surface within a face's outline.

An outline is drawn where the map says "face" rather than anything else, so what it takes for the
lens's own surface with less than an even chance lies within. Over a right face it sees next to
none of that, nor along a whole edge or end.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from edgeqc.faces.face import CutFace
from edgeqc.imaging.image import CalibratedImage

FloatImage = NDArray[np.float32]

_RIM = 0.02  # fraction next to the border, where the map is blurred
_EDGE, _END = 0.06, 0.14
"""Fractions of the thickness, and of the length, that bands along edges and ends reach to."""
_EDGE_MAX, _END_MAX, _WHOLE_MAX = 0.1, 0.1, 0.025
"""Mean probability of the lens's own surface in a band along an edge, along an end, and over the
whole face, above which the outline is doubted. Of 1,045 good pictures of seven makers (seeds
135000000 to 136600089) 36 outlines were wrong and nothing else doubted them: 13 are beyond, of 420
right ones 7; the limits were chosen there. On the next 590 (137000000 to 137600099) 5 of 24, and 15
of some 410."""
_ACROSS, _ALONG = 12, 200  # points at which the map is read

_Part = tuple[float, float]


def lens_seen_within(face: CutFace, image: CalibratedImage, own_surface: FloatImage) -> bool:
    """Return whether the learned map sees the lens's own surface within a face's outline.

    Parameters
    ----------
    face : CutFace
        The face.
    image : CalibratedImage
        The picture.
    own_surface : (rows, cols) float32 array
        Probability of the lens's other surfaces, on a coarse grid over the picture.
    """
    whole = (_RIM, 1 - _RIM)

    def mean(along: _Part, across: _Part) -> float:
        return mean_within(face, image, own_surface, along=along, across=across)

    return (
        mean(whole, whole) > _WHOLE_MAX
        or max(mean(whole, band) for band in _bands(_EDGE)) > _EDGE_MAX
        or max(mean(band, whole) for band in _bands(_END)) > _END_MAX)


def _bands(reach: float) -> tuple[_Part, _Part]:
    """Return the bands at either border up to a fraction."""
    return (_RIM, reach), (1 - reach, 1 - _RIM)


def mean_within(
    face: CutFace, image: CalibratedImage, plane: FloatImage, *, along: _Part, across: _Part
) -> float:
    """Return the mean of a coarse plane over a part of a face.

    Parameters
    ----------
    face : CutFace
        The face.
    image : CalibratedImage
        The picture.
    plane : (rows, cols) float32 array
        On a coarse grid over the picture.
    along, across : pair of floats
        From which to which fraction of the length, and of the chords from the first edge.
    """
    cell = np.array(image.pixels.shape) / plane.shape
    t = across[0] + (across[1] - across[0]) * (np.arange(_ACROSS) + 0.5) / _ACROSS
    station = np.linspace(*along, _ALONG) * (face.s_px.size - 1)
    points = face.chord_points_px(station[None, :], t[:, None])
    at = ((points + 0.5) / cell - 0.5).astype(np.float32)
    read = cv2.remap(
        plane, np.ascontiguousarray(at[..., 1]), np.ascontiguousarray(at[..., 0]),
        cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return float(np.mean(read))
