"""Whether a part of the lens beside a face is its own surface or belongs to the cut.

The learned map sees a picture at some five hundred samples a side, where fine drag lines are lost;
a residual that scissors cut, or a cut laser zone without texture, then passes for the lens's own
surface. At full resolution the two differ: a lens is as smooth as it was made, a cut is not.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from edgeqc.faces.perceptrons import opinion
from edgeqc.quantity import BoolArray, FloatArray

FloatImage = NDArray[np.float32]

MODEL_FILE = "surface_model.npz"
BANDS = (0.7, 1.4, 2.8, 5.6, 11.0)
"""Standard deviations, in pixels, of the smoothings between which texture bands lie."""
LINE_SCALES = (1.0, 2.0, 4.0)
"""Standard deviations, in pixels, of the smoothings before gradients are taken."""
_MARGIN = 4  # pixels along a region's border that are left out
_LEAST_PART, _LEAST_FACE, _LEAST_GROUND = 200, 500, 500  # pixels
_FLOOR = 1e-9  # of squared grey
_LEAST_STEP = 0.02  # of full scale; keeps ratios to the step of grey finite
_LARGEST = 20.0


@dataclass(frozen=True)
class _Regions:
    """The part, the face and the ground on the same pixels, their borders left out.

    ``ground`` is None where next to none of it is seen.
    """

    part: BoolArray
    face: BoolArray
    ground: BoolArray | None

    @property
    def background(self) -> BoolArray:
        """The ground, or the face where there is none."""
        return self.face if self.ground is None else self.ground


def surface_features(
    pixels: FloatImage, part: BoolArray, face: BoolArray, ground: BoolArray
) -> FloatArray | None:
    """Return what tells a cut from a lens's own surface.

    Parameters
    ----------
    pixels : (rows, cols) float32 array
        The picture, of full scale 1.
    part, face, ground : (rows, cols) bool arrays
        The part in question, the face beside it, and what both stand before.

    Returns
    -------
    (37,) float array or None
        Logarithms of texture energy by band against face and ground, how far lines go one way
        (structure tensor: B. Jähne, Digital Image Processing, chapter "Simple neighborhoods",
        from memory), skewness and kurtosis by band, and grey in steps of grey between face and
        ground. None where too little of part or face is seen.
    """
    if part.sum() < _LEAST_PART or face.sum() < _LEAST_FACE:
        return None  # as where a region lies on the data bar
    window = _window(part | face)
    pixels = np.nan_to_num(pixels[window])  # a mosaic has holes
    part, face, ground = part[window], face[window], ground[window]
    inner = _inner(part)
    if inner.sum() < _LEAST_PART:
        inner = _inner(part, _MARGIN // 2)
    seen = _inner(ground)
    here = _Regions(inner, _inner(face), seen if seen.sum() > _LEAST_GROUND else None)
    if here.part.sum() < _LEAST_PART or here.face.sum() < _LEAST_FACE:
        return None
    found = [*_bands(pixels, here), *_lines(pixels, here), *_greys(pixels, here)]
    return np.asarray(np.clip(np.nan_to_num(np.array(found), nan=0.0), -_LARGEST, _LARGEST))


def _window(mask: BoolArray) -> tuple[slice, slice]:
    """Return the rows and columns about a mask, with ground beside it."""
    bounds = []
    for axis in (1, 0):
        there = np.flatnonzero(mask.any(axis=axis))
        room = 32 + (there[-1] - there[0]) // 8
        bounds.append(slice(max(0, there[0] - room), there[-1] + room + 1))
    return bounds[0], bounds[1]


def _inner(mask: BoolArray, margin: int = _MARGIN) -> BoolArray:
    box = np.ones((2 * margin + 1, 2 * margin + 1), np.uint8)
    inner = cv2.erode(mask.astype(np.uint8), box, borderType=cv2.BORDER_CONSTANT, borderValue=0)
    return np.asarray(inner > 0)


def _smooth(plane: FloatImage, sigma: float) -> FloatImage:
    return np.asarray(cv2.GaussianBlur(plane, (0, 0), sigma), np.float32)


def _bands(pixels: FloatImage, here: _Regions) -> list[float]:
    """Return energies by band against face, ground and the next band, and the bands' shapes."""
    detail, upper = [], pixels
    for sigma in BANDS:
        lower = _smooth(pixels, sigma)
        detail.append(upper - lower)
        upper = lower

    def energy(mask: BoolArray) -> FloatArray:
        return np.array([np.log(float(np.mean(band[mask] ** 2)) + _FLOOR) for band in detail])

    part = energy(here.part)
    found = [*(part - energy(here.face)), *(part - energy(here.background)),
             float(here.ground is not None), *np.diff(part)]  # fmt: skip
    for band in detail[:3]:
        grey = band[here.part] - band[here.part].mean()
        spread = float(grey.std()) + _FLOOR
        found += [float((grey**3).mean()) / spread**3,
                  float(np.log(float((grey**4).mean()) / spread**4 + _FLOOR))]  # fmt: skip
    return [float(value) for value in found]


def _lines(pixels: FloatImage, here: _Regions) -> list[float]:
    """Return how far gradients go one way: over the part as a whole, and from place to place."""
    found = []
    for sigma in LINE_SCALES:
        grey = _smooth(pixels, sigma)
        right, down = cv2.Sobel(grey, cv2.CV_32F, 1, 0), cv2.Sobel(grey, cv2.CV_32F, 0, 1)
        products = [right * right, down * down, right * down]
        whole = [float(plane[here.part].mean()) for plane in products]
        found.append(np.hypot(whole[0] - whole[1], 2 * whole[2]) / (whole[0] + whole[1] + 1e-12))
        first, second, both = (_smooth(np.asarray(plane, np.float32), 3 * sigma)
                               for plane in products)  # fmt: skip
        local = np.hypot(first - second, 2 * both) / (first + second + 1e-12)
        found += [local[mask].mean() for mask in (here.part, here.face, here.background)]
    return [float(value) for value in found]


def _greys(pixels: FloatImage, here: _Regions) -> list[float]:
    """Return the part's grey, and its spread, against face and ground."""
    part, face = (float(np.median(pixels[mask])) for mask in (here.part, here.face))
    ground = face if here.ground is None else float(np.median(pixels[here.ground]))
    step = abs(face - ground) + _LEAST_STEP
    spread = float(pixels[here.part].std() + 1e-4) / float(pixels[here.face].std() + 1e-4)
    return [(part - face) / step, (part - ground) / step, np.log(step), np.log(spread)]


def belongs_to_cut(features: FloatArray) -> float:
    """Return the probability that a part belongs to the cut, from ``surface_features``."""
    return float(opinion("faces", MODEL_FILE, features)[1])
