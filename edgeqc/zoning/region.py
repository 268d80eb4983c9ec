"""A second opinion on names: each zone as a whole, by features that a microscopist would name.

The network names cells; here a zone is named from statistics over all of it: how straight and how
far its lines run on, whether a lattice stands out of its spectrum, how its detail is shared between
scales. Nothing of the network enters, so that the agreement of the two is worth something.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import cv2
import numpy as np
from numpy.typing import NDArray

from edgeqc.faces.face import CutFace, unroll_face
from edgeqc.faces.perceptrons import opinion
from edgeqc.imaging.area_means import shrunk_together
from edgeqc.imaging.image import CalibratedImage
from edgeqc.quantity import BoolArray, FloatArray
from edgeqc.zoning.persistence import N_PERSISTENCE, line_persistence, window_of
from edgeqc.zoning.texture import FloatImage

IndexArray = NDArray[np.intp]

MODEL_FILE = "region_model.npz"
ROWS_MAX, COLUMNS_MAX = 700, 1400
"""Largest unrolled face looked at; a larger one is shrunk, for speed."""
PATCH = 64
_LAG = 3
_PATCHES = 24
_RINGS = ((2, 4), (4, 7), (7, 11), (11, 16), (16, 23), (23, 31))
_OCTAVES = (0.7, 1.4, 2.8, 5.6)
_LINE_SIGMAS = (1.0, 2.0, 4.0)
_LINE_REACHES = (3.0, 9.0)


@dataclass(frozen=True)
class UnrolledFace:
    """A face at about the picture's own resolution.

    Parameters
    ----------
    grey : (rows, cols) float32 array
        Unrolled grey, its slow part taken out, in units of its own spread.
    log_sample : float
        log2 of the sample spacing in µm, 0 where no scale is known.
    scale_known : bool
        Whether it is.
    shrink : float
        Picture pixels per sample.
    """

    grey: FloatImage
    log_sample: float
    scale_known: bool
    shrink: float

    # planes of the whole face, of which each region takes its part

    @cached_property
    def octaves(self) -> tuple[FloatImage, ...]:
        """Detail of the grey in each octave."""
        sigmas = sorted({*_OCTAVES, *(2 * sigma for sigma in _OCTAVES)})
        blurred = {sigma: _blur(self.grey, sigma) for sigma in sigmas}
        return tuple(blurred[sigma] - blurred[2 * sigma] for sigma in _OCTAVES)

    @cached_property
    def lines(self) -> tuple[_Lines, ...]:
        """Direction of the detail at each scale of lines."""
        return tuple(_lines(self.grey, sigma) for sigma in _LINE_SIGMAS)


@dataclass(frozen=True)
class _Lines:
    """Squared gradient, its doubled-angle vector, and how well that goes together around."""

    power: FloatImage
    cosine: FloatImage
    sine: FloatImage
    coherence: tuple[FloatImage, ...]


def _blur(plane: FloatImage, sigma: float) -> FloatImage:
    return np.asarray(cv2.GaussianBlur(plane, (0, 0), sigma, borderType=cv2.BORDER_REFLECT))


def unroll_for_regions(image: CalibratedImage, face: CutFace) -> UnrolledFace:
    """Return the face unrolled at the picture's resolution, or a little coarser if it is large."""
    thickness = float(np.median(face.thickness_px))
    length = float(face.s_px[-1] - face.s_px[0])
    shrink = max(1.0, thickness / ROWS_MAX, length / COLUMNS_MAX)
    pixels = np.asarray(image.pixels, np.float32)
    if shrink > 1.3:
        pixels = _blur(pixels, 0.45 * shrink)
    rows, cols = max(16, round(thickness / shrink)), max(16, round(length / shrink))
    grey = unroll_face(pixels, face, rows, cols)
    grey = grey - _wide_blurs([grey], 14.0)[0]
    grey = grey / (float(grey[rows // 10 : -rows // 10 or None].std()) + 1e-6)
    size = image.pixel_size_um
    log_sample = float(np.log2(shrink * np.sqrt(size[0] * size[1]))) if size else 0.0
    return UnrolledFace(np.clip(grey, -6, 6), log_sample, size is not None, shrink)


def structure_ratio(unrolled: UnrolledFace) -> float:
    """Return how far the face's grey goes together over three samples, 0 for noise alone.

    Parameters
    ----------
    unrolled : UnrolledFace
        The face.

    Returns
    -------
    float
        The larger magnitude of the two autocorrelations (through the thickness, along the face)
        at a lag of three samples, where pixel noise has none.
    """
    grey = unrolled.grey[unrolled.grey.shape[0] // 8 : -unrolled.grey.shape[0] // 8 or None]
    power = float((grey * grey).mean()) + 1e-9
    down = float((grey[:-_LAG] * grey[_LAG:]).mean())
    along = float((grey[:, :-_LAG] * grey[:, _LAG:]).mean())
    return max(abs(down), abs(along)) / power


def _wide_blurs(planes: list[FloatImage], sigma: float) -> list[FloatImage]:
    """Blur planes widely on a coarser grid: the result has no finer detail to lose."""
    step = int(sigma // 3)
    if step < 2:
        return [_blur(plane, sigma) for plane in planes]
    rows, cols = planes[0].shape
    small = shrunk_together(planes, (max(4, cols // step), max(4, rows // step)))
    blurred = [_blur(plane, sigma / step) for plane in small]
    return [
        np.asarray(cv2.resize(plane, (cols, rows), interpolation=cv2.INTER_LINEAR))
        for plane in blurred
    ]


def _octave_features(octaves: Sequence[FloatImage], inside: IndexArray) -> list[float]:
    found: list[float] = []
    for octave in octaves:
        band = octave.ravel().take(inside)
        spread = float(band.std()) + 1e-6
        unit = np.clip((band - band.mean()) / spread, -6, 6)
        square = unit * unit  # powers of an array by ** are twenty times slower
        skewness = float((square * unit).mean())
        kurtosis = float((square * square).mean()) - 3
        found += [float(np.log(spread)), skewness, kurtosis, abs(skewness)]
    return found


def _lines(grey: FloatImage, sigma: float) -> _Lines:
    smooth = _blur(grey, sigma)
    row = np.asarray(cv2.Sobel(smooth, cv2.CV_32F, 0, 1, ksize=3))
    col = np.asarray(cv2.Sobel(smooth, cv2.CV_32F, 1, 0, ksize=3))
    power, cosine, sine = row * row + col * col, row * row - col * col, 2 * row * col
    coherence = []
    for reach in _LINE_REACHES:
        blurred = _wide_blurs([power, cosine, sine], reach * sigma)
        # numpy's hypot guards against overflow and takes ten times as long
        coherence.append(np.asarray(cv2.magnitude(blurred[1], blurred[2])) / (blurred[0] + 1e-6))
    return _Lines(power, cosine, sine, tuple(coherence))


def _line_features(lines: Sequence[_Lines], inside: IndexArray) -> list[float]:
    """How well lines keep their direction, near by, far on and over the whole region."""
    found: list[float] = []
    for scale in lines:
        found += [float(coherence.ravel().take(inside).mean()) for coherence in scale.coherence]
        total = float(scale.power.ravel().take(inside).sum()) + 1e-6
        c = float(scale.cosine.ravel().take(inside).sum()) / total
        s = float(scale.sine.ravel().take(inside).sum()) / total
        found += [float(np.hypot(c, s)), c, abs(s)]
    return found


def _patch_corners(inside: BoolArray, size: int) -> NDArray[np.intp]:
    """Upper left corners of patches that lie wholly in the region, evenly picked."""
    if min(inside.shape) < size:
        return np.empty((0, 2), np.intp)
    eroded = cv2.erode(
        inside.astype(np.uint8), np.ones((size, size), np.uint8), anchor=(0, 0), borderValue=0
    )
    whole = eroded[: inside.shape[0] - size + 1, : inside.shape[1] - size + 1]
    at = np.flatnonzero(whole.astype(bool))
    if at.size == 0:
        return np.empty((0, 2), np.intp)
    pick = np.linspace(0, at.size - 1, min(at.size, _PATCHES)).astype(int)
    return np.stack(np.divmod(at[pick], whole.shape[1]), axis=1)


def _patches(grey: FloatImage, inside: BoolArray) -> FloatImage | None:
    """Return patches of the region, large or else small, under their window; None if none fits."""
    for size in (PATCH, PATCH // 2):
        corners = _patch_corners(inside, size)
        if corners.shape[0]:
            patches = np.stack([grey[r : r + size, c : c + size] for r, c in corners])
            patches = patches - patches.mean(axis=(1, 2), keepdims=True)
            return np.asarray(patches * window_of(size))
    return None


def _spectrum_features(patches: FloatImage | None) -> list[float]:
    """Shares of power by ring, its direction in each ring, and peaks that stand out."""
    if patches is None:
        return [0.0] * (3 * len(_RINGS) + 3)
    size = patches.shape[-1]
    power = (np.abs(np.fft.rfft2(patches)) ** 2).mean(axis=0) + 1e-9
    row = np.fft.fftfreq(size)[:, None] * PATCH
    col = np.fft.rfftfreq(size)[None, :] * PATCH
    radius, angle = np.hypot(row, col), np.arctan2(row, col)
    total = power[radius > 1.5].sum()
    found: list[float] = []
    peak, count = 0.0, 0
    for low, high in _RINGS:
        ring = (radius >= low) & (radius < high)
        share = power[ring]
        turn = np.abs((share * np.exp(2j * angle[ring])).sum()) / share.sum()
        out = float(np.log(share.max() / np.median(share)))
        found += [float(np.log(share.sum() / total)), float(turn), out]
        peak = max(peak, out)
        count += int((share > 12 * np.median(share)).sum())
    return [*found, peak, float(np.log1p(count)), 1.0]


def _persistence_features(patches: FloatImage | None) -> list[float]:
    """How far lines run on, and whether the patches were large ones."""
    if patches is None:
        return [0.0] * (N_PERSISTENCE + 1)
    return [*line_persistence(patches).tolist(), float(patches.shape[-1] == PATCH)]


def region_features(unrolled: UnrolledFace, inside: BoolArray) -> FloatArray:
    """Return the features of one region of the face.

    Parameters
    ----------
    unrolled : UnrolledFace
        The face.
    inside : (n_t, n_s) bool array
        The region on the zone map's grid.

    Returns
    -------
    (n_features,) float array
    """
    shape = unrolled.grey.shape
    mask = cv2.resize(
        inside.astype(np.uint8), (shape[1], shape[0]), interpolation=cv2.INTER_NEAREST
    )
    # the rim along either edge is bright whatever the zone
    border = max(2, shape[0] // 50)
    core = mask.copy()
    core[:border] = core[-border:] = 0
    full = core.astype(bool) if core.sum() > 0.3 * mask.sum() and core.any() else mask.astype(bool)
    if not full.any():
        full = np.ones(shape, bool)
    rows = np.nonzero(inside.any(axis=1))[0]
    patches = _patches(unrolled.grey, full)
    at = np.flatnonzero(full)  # many planes are read there: indices are faster than a mask
    return np.array(
        [
            *_octave_features(unrolled.octaves, at),
            *_line_features(unrolled.lines, at),
            *_spectrum_features(patches),
            float(inside.mean()),
            float(inside.any(axis=0).mean()),
            rows[0] / inside.shape[0],
            (rows[-1] + 1) / inside.shape[0],
            unrolled.log_sample,
            float(unrolled.scale_known),
            float(np.log2(unrolled.shrink)),
            float(np.log2(shape[0])),
            *_persistence_features(patches),
        ]
    )


def region_names(features: FloatArray) -> FloatArray:
    """Return the probability of laser, scissor and torn of one region.

    Parameters
    ----------
    features : (n_features,) float array
        From ``region_features``.

    Returns
    -------
    (3,) float array
        Mean over an ensemble of small perceptrons, each with one hidden layer.
    """
    return opinion("zoning", MODEL_FILE, features)
