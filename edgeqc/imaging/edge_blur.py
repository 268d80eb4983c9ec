"""How sharp a picture is: the blur of its sharpest edges."""

from __future__ import annotations

import math
from collections.abc import Iterator

import cv2
import numpy as np
from numpy.typing import NDArray

Plane = NDArray[np.float32]


def blur_of_edges(pixels: Plane, valid: NDArray[np.bool_], noise_sd: float) -> float:
    """Return the standard deviation, in pixels, of the blur of a picture's sharpest edges.

    Parameters
    ----------
    pixels : (rows, cols) float32 array
        Grey levels.
    valid : (rows, cols) bool array
        Pixels to use.
    noise_sd : float
        Standard deviation of the pixel noise.

    Notes
    -----
    The gradient of a step of blur s is proportional to 1/sqrt(s² + a²) after smoothing by a.
    From the gradients G at a = 1 and H at b = 2 follows s² = (b² - q a²)/(q - 1), q = (G/H)².
    It is read on the crests of the steepest edges that stand out of the noise, on a pyramid of
    half, quarter and eighth size, at the finest level that has enough of them and where they are
    no wider than 2.5 of its pixels (wider ones are read with less noise one level up); the
    median is given. A thin line reads sharper than a step, so that the figure errs towards sharp.

    The edges are Gaussian-blurred steps: 25-75 % width 1.349 s, 10-90 % width 2.563 s.
    """
    image, mask = pixels, valid
    noise = noise_sd
    found = math.inf
    for level in range(5):
        if min(image.shape) < 48:
            break
        value = _edge_blur(image, mask, noise)
        if math.isfinite(value):
            # each halving averages four pixels: a box of that width adds (2^k)²/12 - 1/12
            scale = 2.0**level
            inherent = (scale * scale - 1) / 12
            found = math.sqrt(max(0.0, (value * scale) ** 2 - inherent))
            if value <= _WIDEST:
                break
        elif math.isfinite(found):
            break
        size = (image.shape[1] // 2, image.shape[0] // 2)
        image = np.asarray(cv2.resize(image[: 2 * size[1], : 2 * size[0]], size,
                                      interpolation=cv2.INTER_AREA), np.float32)
        mask = cv2.resize(mask[: 2 * size[1], : 2 * size[0]].astype(np.uint8), size,
                          interpolation=cv2.INTER_NEAREST).astype(bool)
        noise /= 2
    return found


_FINE, _COARSE = 1.0, 2.0
# the central difference over two pixels widens both as a box of that width does
_DIFFERENCE = 1 / 3
# sd of the gradient of unit white noise after Gaussian smoothing by a: 1/sqrt(8 pi a^4) per axis
_GRADIENT_NOISE = 1 / math.sqrt(8 * math.pi)
_MIN_EDGE_PIXELS = 150
_WIDEST = 2.5
_NOISE_FACTOR = 7.0
_STRIP_PIXELS = 1 << 18  # of a large picture every plane would be hundreds of megabytes
_HALO_ROWS = 10


def _edge_blur(image: Plane, mask: NDArray[np.bool_], noise_sd: float) -> float:
    # the weakest gradient taken: well above noise, and above the rounding of 8-bit levels
    floor = max(_NOISE_FACTOR * noise_sd * _GRADIENT_NOISE, 1.0 / 255)
    usable = np.zeros_like(mask)
    usable[6:-6, 6:-6] = True  # also room for the neighbours of a crest
    if not mask.all():
        usable &= cv2.erode(mask.astype(np.uint8), np.ones((13, 13), np.uint8)).astype(bool)
    fine = np.empty_like(image)
    values, places, ways = [], [], []
    for strip, inner, rows in _strips(image):
        row, col = (part[inner] for part in _gradient(strip, _FINE))
        fine[rows] = cv2.magnitude(row, col)
        part = fine[rows].ravel()
        place = np.flatnonzero((part > floor) & usable[rows].ravel())
        values.append(part.take(place))
        places.append(place + rows.start * image.shape[1])
        ways.append(row.ravel().take(place) ** 2 > col.ravel().take(place) ** 2)
    steep, place, down = (np.concatenate(each) for each in (values, places, ways))
    if steep.size < _MIN_EDGE_PIXELS:
        return math.inf
    # the steepest of them: crests of real edges, not their feet
    keep = max(_MIN_EDGE_PIXELS, min(steep.size // 4, image.size // 100))
    limit = np.partition(steep, steep.size - keep)[steep.size - keep]
    kept = steep >= limit
    squared = _squared_blurs(image, fine, (place[kept], down[kept]))
    return float(np.sqrt(np.maximum(np.median(squared), 0)))


def _strips(image: Plane) -> Iterator[tuple[Plane, slice, slice]]:
    """Yield strips with what smoothing sees beyond them, their own rows in it and in the image."""
    rows = image.shape[0]
    height = max(_STRIP_PIXELS // image.shape[1], 4 * _HALO_ROWS)
    for top in range(0, rows, height):
        start, stop = max(0, top - _HALO_ROWS), min(rows, top + height)
        yield (image[start : stop + _HALO_ROWS], slice(top - start, stop - start),
               slice(top, stop))


def _squared_blurs(
    image: Plane, fine: Plane, edges: tuple[NDArray[np.intp], NDArray[np.bool_]]
) -> NDArray[np.float32]:
    """Return s² of the blur at those places that are crests of the gradient.

    ``edges``: the places, and whether the gradient there runs along the columns.
    """
    place, down = edges
    found = []
    for strip, inner, rows in _strips(image):
        first, last = np.searchsorted(place, np.array([rows.start, rows.stop]) * image.shape[1])
        if first == last:
            continue
        i, j = place[first:last] // image.shape[1], place[first:last] % image.shape[1]
        i, j = _crests(fine, down[first:last], (i, j))
        coarse = np.asarray(cv2.magnitude(*_gradient(strip, _COARSE)), np.float32)[inner]
        coarse = coarse[i - rows.start, j]
        ratio = np.maximum((fine[i, j] / np.maximum(coarse, 1e-12)) ** 2, 1 + 1e-6)
        found.append((_COARSE**2 - ratio * _FINE**2) / (ratio - 1) - _DIFFERENCE)
    return np.concatenate(found)


def _crests(
    fine: Plane, steep: NDArray[np.bool_], at: tuple[NDArray[np.intp], ...]
) -> tuple[NDArray[np.intp], ...]:
    """Of these points, those at which the gradient is greatest across the edge.

    Beside the crest the ratio of two gradients reads too wide an edge. ``steep`` tells where it
    runs along the columns rather than the rows.
    """
    i, j = at
    di, dj = np.where(steep, 1, 0), np.where(steep, 0, 1)
    crest = (fine[at] >= fine[i - di, j - dj]) & (fine[at] >= fine[i + di, j + dj])
    return i[crest], j[crest]


def _gradient(image: Plane, sigma: float) -> tuple[Plane, Plane]:
    smooth = cv2.GaussianBlur(image, (0, 0), sigma)
    row, col = (
        np.asarray(cv2.Sobel(smooth, cv2.CV_32F, dx, 1 - dx, ksize=1, scale=0.5), np.float32)
        for dx in (0, 1)
    )
    return row, col
