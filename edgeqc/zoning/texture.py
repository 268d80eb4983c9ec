"""What the zone model sees of a face: planes of local grey and texture on the unrolled face."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from edgeqc.faces.face import CutFace
from edgeqc.imaging.image import CalibratedImage
from edgeqc.order_statistics import median

FloatImage = NDArray[np.float32]

ROWS = 512
"""Rows of the planes; they span the thickness and a margin beyond either edge."""
MARGIN = 0.08
"""Share of the thickness shown beyond either edge, so that rims and burrs are seen as such."""
CELL = 4
"""Plane samples per cell of the zone grid."""
MAX_COLUMNS = 4096
"""Longest planes; a longer face is compressed along s."""
N_PLANES = 12
PLANE_NAMES = (
    "grey", "low-pass grey", "finest texture", "fine texture", "middle texture",
    "lay cos", "lay sin", "t", "chord complete", "log sample spacing", "spacing known",
    "anterior known",
)  # fmt: skip
_ENERGY_FLOOR = 1e-7  # (grey range)²; keeps the logarithm finite on a flat picture
_STRIP_PIXELS = 1 << 19
_HALO_ROWS = 24  # more than the widest smoothing and the one before it see on either side


@dataclass(frozen=True)
class FacePlanes:
    """Planes of one unrolled face.

    Parameters
    ----------
    planes : (N_PLANES, ROWS, n_columns) float32 array
        See ``PLANE_NAMES``; rows run from t = -MARGIN to 1 + MARGIN.
    n_columns : int
        Columns, a multiple of ``CELL``; column j lies at (j + 0.5)/n_columns of the length.
    sample_px : float
        Picture pixels per plane sample, through the thickness.
    """

    planes: FloatImage
    n_columns: int
    sample_px: float


def _blur(plane: FloatImage, sigma: float) -> FloatImage:
    return np.asarray(cv2.GaussianBlur(plane, (0, 0), sigma, borderType=cv2.BORDER_REFLECT))


def _window(face: CutFace, shape: tuple[int, ...], pad: int) -> tuple[slice, slice]:
    """Bounding window of the face and its margin, clipped to the picture."""
    points = np.vstack([face.anterior_px, face.posterior_px])
    reach = pad + MARGIN * float(face.thickness_px.max())
    low = np.maximum(np.floor(points.min(axis=0) - reach).astype(int), 0)
    high = np.minimum(np.ceil(points.max(axis=0) + reach).astype(int) + 1, shape)
    high = np.maximum(high, low + 8)
    return slice(int(low[0]), int(high[0])), slice(int(low[1]), int(high[1]))


@dataclass(frozen=True)
class _Pooled:
    """A plane smoothed so much that a coarser grid holds it: sample i is pixel (i + 0.5) f - 0.5.

    Parameters
    ----------
    values : (rows, cols) float32 array
        The smoothed plane on the coarse grid.
    factor : int
        Pixels of the picture per sample.
    """

    values: FloatImage
    factor: int


def _factor(sigma: float) -> int:
    """Return the side of the blocks whose means a Gaussian of sigma needs, no finer.

    At sigma/f of 2.5 or more the samples lose less than 0.1 % of a local mean square.
    """
    factor = 1
    while sigma / (2 * factor) >= 2.5:
        factor *= 2
    return factor


def _block_means(plane: FloatImage, factor: int) -> FloatImage:
    """Return the means of a plane's blocks; the last ones are filled up by reflection."""
    if factor == 1:
        return plane
    rows, cols = plane.shape
    whole = cv2.copyMakeBorder(plane, 0, -rows % factor, 0, -cols % factor, cv2.BORDER_REFLECT)
    size = (whole.shape[1] // factor, whole.shape[0] // factor)
    return np.asarray(cv2.resize(whole, size, interpolation=cv2.INTER_AREA), np.float32)


def _detail(grey: FloatImage, inner: slice) -> tuple[FloatImage, ...]:
    """Squares of three octaves of detail, and of the gradient with its doubled-angle vector."""
    first, second = _blur(grey, 1.0), _blur(grey, 2.0)
    third = _blur(second, 3.46)  # 2 and 3.46 combine to 4
    bands = (grey[inner] - first[inner], first[inner] - second[inner], second[inner] - third[inner])
    row = np.asarray(cv2.Sobel(first, cv2.CV_32F, 0, 1, ksize=3))[inner]
    col = np.asarray(cv2.Sobel(first, cv2.CV_32F, 1, 0, ksize=3))[inner]
    down, across = row * row, col * col
    return (*(band * band for band in bands), down + across, down - across, 2 * row * col)


def _energies(grey: FloatImage, pool: float) -> tuple[_Pooled, ...]:
    """Local mean squares of three octaves of detail, and the lay's doubled-angle vector.

    The block means take their share of the smoothing, (f² - 1)/12 px², so that the whole stays
    sigma. Strips keep what lies between picture and block means in the cache: of a large face
    each plane would be hundreds of megabytes.
    """
    factor, rows = _factor(pool), grey.shape[0]
    height = max(_STRIP_PIXELS // grey.shape[1], 2 * _HALO_ROWS) // factor * factor
    strips = []
    for top in range(0, rows, height):
        start, stop = max(0, top - _HALO_ROWS), min(rows, top + height + _HALO_ROWS)
        inner = slice(top - start, min(top + height, rows) - start)
        planes = _detail(grey[start:stop], inner)
        strips.append([_block_means(plane, factor) for plane in planes])
    rest = math.sqrt(pool**2 - (factor**2 - 1) / 12) / factor
    pooled = [_blur(np.concatenate(parts), rest) for parts in zip(*strips, strict=True)]
    floored = pooled[3] + _ENERGY_FLOOR
    values = (*pooled[:3], pooled[4] / floored, pooled[5] / floored)
    return tuple(_Pooled(each, factor) for each in values)


def _grid(face: CutFace, n_columns: int) -> tuple[FloatImage, FloatImage, FloatImage]:
    """Picture rows and columns of every plane sample, and the chords' direction in radians."""
    t = -MARGIN + (np.arange(ROWS) + 0.5) / ROWS * (1 + 2 * MARGIN)
    station = (np.arange(n_columns) + 0.5) / n_columns * (face.s_px.size - 1)
    start = face.chord_points_px(station, np.zeros_like(station)).astype(np.float32)
    end = face.chord_points_px(station, np.ones_like(station)).astype(np.float32)
    way = end - start
    rows = start[None, :, 0] + t[:, None].astype(np.float32) * way[None, :, 0]
    cols = start[None, :, 1] + t[:, None].astype(np.float32) * way[None, :, 1]
    return rows, cols, np.arctan2(way[:, 1], way[:, 0])


def face_planes(image: CalibratedImage, face: CutFace, *, anterior_known: bool) -> FacePlanes:
    """Return the planes that the zone model sees of one face.

    Parameters
    ----------
    image : CalibratedImage
        The picture.
    face : CutFace
        The face and its frame.
    anterior_known : bool
        Whether the face's anterior side is known (the model then knows which edge is t = 0).

    Returns
    -------
    FacePlanes
        ``(N_PLANES, ROWS, n_columns)`` float32.

    Notes
    -----
    Grey is taken against the face's own mean and spread and clipped, and texture against the
    face's own median, so that gain, offset and dose shift no plane. Detail finer than a plane
    sample is not lost: its local mean square is taken at full resolution before resampling.
    The lay is turned into the frame, so that a rotated face gives the same planes.
    """
    thickness = float(np.median(face.thickness_px))
    sample = max(thickness * (1 + 2 * MARGIN) / ROWS, 1e-3)
    length = float(face.s_px[-1] - face.s_px[0])
    n_columns = int(np.clip(round(length / sample / CELL) * CELL, 32, MAX_COLUMNS))
    window = _window(face, image.pixels.shape, 16)
    grey = np.asarray(image.pixels[window], np.float32)
    if not image.valid[window].all():  # only there may be no number
        grey = np.nan_to_num(grey)
    rows, cols, direction = _grid(face, n_columns)
    rows, cols = rows - window[0].start, cols - window[1].start

    def sampled(plane: FloatImage) -> FloatImage:
        return np.asarray(
            cv2.remap(plane, cols, rows, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        )

    smoothed = _blur(grey, 0.45 * sample) if sample > 1.3 else grey
    unrolled = sampled(smoothed)
    inner = unrolled[int(ROWS * 0.1) : int(ROWS * 0.9)]
    low = _blur(unrolled, 20.0)
    detail = unrolled - low
    spread = float(np.sqrt(np.mean(detail[int(ROWS * 0.1) : int(ROWS * 0.9)] ** 2))) + 1e-6
    planes = np.empty((N_PLANES, ROWS, n_columns), np.float32)
    planes[0] = np.clip(detail / spread, -5, 5)
    planes[1] = np.clip((low - inner.mean()) / spread, -5, 5)
    pool = float(np.clip(4.0 * sample, 3.0, 16.0))
    energies = _sampled_together(_energies(grey, pool), rows, cols)
    for index, energy in enumerate(energies[:3]):
        level = np.log(energy + _ENERGY_FLOOR)
        level -= np.float32(median(level[int(ROWS * 0.1) : int(ROWS * 0.9)]))
        planes[2 + index] = np.clip(level, -4, 4)
    cosine, sine = energies[3:]
    turn_cos = np.cos(2 * direction)[None, :].astype(np.float32)
    turn_sin = np.sin(2 * direction)[None, :].astype(np.float32)
    planes[5] = cosine * turn_cos + sine * turn_sin
    planes[6] = sine * turn_cos - cosine * turn_sin
    _constant_planes(planes, image, face, sample, anterior_known)
    return FacePlanes(planes, n_columns, sample)


def _sampled_together(
    pooled: Sequence[_Pooled], rows: FloatImage, cols: FloatImage
) -> list[FloatImage]:
    """Return the five planes of one grid read at pixels of the picture.

    Four at once take little longer than one, and are the same to the last bit.
    """
    f = np.float32(pooled[0].factor)
    half = np.float32(0.5)
    at = (cols + half) / f - half, (rows + half) / f - half
    first = cv2.merge([each.values for each in pooled[:4]])
    four, last = (
        np.asarray(cv2.remap(planes, *at, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE))
        for planes in (first, pooled[4].values)
    )
    return [*np.moveaxis(four, 2, 0), last]


def _constant_planes(
    planes: FloatImage, image: CalibratedImage, face: CutFace, sample: float, anterior_known: bool
) -> None:
    """Fill in what is the same all over the face, or down a chord (writes into ``planes``)."""
    n_columns = planes.shape[2]
    t = -MARGIN + (np.arange(ROWS, dtype=np.float32) + 0.5) / ROWS * (1 + 2 * MARGIN)
    planes[7] = t[:, None]
    planes[8] = face.complete[face.column_chords(n_columns)].astype(np.float32)[None, :]
    known = image.pixel_size_um is not None
    planes[9] = 0.0
    if image.pixel_size_um is not None:
        spacing = sample * math.sqrt(image.pixel_size_um[0] * image.pixel_size_um[1])
        planes[9] = np.clip(math.log2(spacing), -4, 4)
    planes[10] = float(known)
    planes[11] = float(anterior_known)
