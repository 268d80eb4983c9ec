"""The smooth part of a zone's power spectrum."""

from __future__ import annotations

import math
from itertools import pairwise

import cv2
import numpy as np
import scipy.special
from numpy.typing import NDArray

Plane = NDArray[np.float32]

_CELL = 9
"""Side in bins of the cells whose median power is the background."""


def spectrum_background(power: Plane, count: int) -> Plane:
    """Return the smooth part of a power spectrum: medians by ring, then by cell.

    Parameters
    ----------
    power : (rows, cols // 2 + 1) float32 array
        Power at frequencies in the order of the transform.
    count : int
        Number of independent spectra of which it is the mean.

    Notes
    -----
    Medians do not follow narrow peaks. That of a mean of ``count`` exponential powers is turned
    into its mean (a gamma law's).
    """
    rows, half = power.shape
    row = np.abs(np.fft.fftfreq(rows))[:, None]
    col = np.arange(half)[None, :] / max(2 * (half - 1), 1)
    # rings of equal steps in the logarithm of frequency
    ring = np.rint(12 * np.log2(np.maximum(np.hypot(row, col), 1e-4))).astype(int)
    ring -= ring.min()
    log = np.log(np.maximum(power, power.max() * 1e-12))
    order = np.argsort(ring, axis=None, kind="stable")
    bounds = np.searchsorted(ring.ravel()[order], np.arange(int(ring.max()) + 2))
    flat = log.ravel()[order]
    middle = np.array([np.median(flat[a:b]) if b > a else np.nan for a, b in pairwise(bounds)])
    known = np.isfinite(middle)
    middle = np.interp(np.arange(middle.size), np.flatnonzero(known), middle[known])
    rest = np.fft.fftshift(log - middle[ring], axes=0)
    cells = _cell_medians(np.asarray(rest, np.float32))
    smooth = cv2.resize(cells, (half, rows), interpolation=cv2.INTER_LINEAR)
    smooth = np.fft.ifftshift(smooth, axes=0) + middle[ring]
    median = float(scipy.special.gammaincinv(count, 0.5)) / count
    return np.asarray(np.exp(smooth) / median, np.float32)


def _cell_medians(plane: Plane) -> Plane:
    shape = tuple(math.ceil(n / _CELL) for n in plane.shape)
    pad = [(0, m * _CELL - n) for m, n in zip(shape, plane.shape, strict=True)]
    cells = np.pad(plane, pad, mode="reflect" if min(plane.shape) > _CELL else "edge")
    cells = cells.reshape(shape[0], _CELL, shape[1], _CELL).transpose(0, 2, 1, 3)
    medians = np.median(cells.reshape(*shape, -1), axis=-1)
    return np.asarray(cv2.medianBlur(medians.astype(np.float32), 3), np.float32)
