"""Products of a zone's grey levels at every lag, and how many pairs of pixels there are at each."""

from __future__ import annotations

import math

import cv2
import numpy as np
import scipy.fft
from numpy.typing import NDArray

from edgeqc.quantity import FloatArray

Plane = NDArray[np.float32]

FINE_PX = 1200
"""Length up to which the spectrum of a short side is sampled twice as finely as needed."""

PAIRS_PX = 2
"""Raster in pixels on which pairs of pixels of a zone are counted."""


def power_spectrum(plane: Plane, reach: int) -> tuple[Plane, int]:
    """Return the power over half the frequency plane, padded for a reach; the padded columns."""
    # a short side is padded to its double: few samples of its spectrum lie in a band
    shape = [scipy.fft.next_fast_len(max(n + reach, min(2 * n, FINE_PX)), real=True)
             for n in plane.shape]
    # single precision is ample for a correlation and halves time and memory
    half = scipy.fft.rfft2(plane, shape)
    return np.asarray(half.real**2 + half.imag**2, np.float32), shape[1]


def lag_products(power: Plane, columns: int, reach: int) -> FloatArray:
    """Return sums of products at row and column lags -reach..reach, from a power spectrum."""
    # only the lags within reach are carried through the second direction
    by_row = scipy.fft.ifft(power, axis=0)[np.arange(-reach, reach + 1)]
    lagged = scipy.fft.irfft(by_row, columns, axis=1)
    return np.asarray(lagged[:, np.arange(-reach, reach + 1)], float)


def lag_pairs(zone: Plane, reach: int) -> FloatArray:
    """Return the number of pairs of a zone's pixels at row and column lags -reach..reach.

    The number falls evenly with the lag on either side of zero, so that it is counted on a
    coarser raster and interpolated.
    """
    rows, cols = (PAIRS_PX * math.ceil(n / PAIRS_PX) for n in zone.shape)
    even = np.zeros((rows, cols), np.float32)
    even[: zone.shape[0], : zone.shape[1]] = zone
    small = cv2.resize(even, (cols // PAIRS_PX, rows // PAIRS_PX), interpolation=cv2.INTER_AREA)
    coarse = math.ceil(reach / PAIRS_PX)
    lagged = lag_products(*power_spectrum(np.asarray(small, np.float32), coarse), coarse)
    lagged *= PAIRS_PX**2
    at = np.arange(-reach, reach + 1, dtype=np.float32) / PAIRS_PX + coarse
    row, col = np.meshgrid(at, at, indexing="ij")
    pairs = np.asarray(cv2.remap(lagged, col, row, cv2.INTER_LINEAR), float)
    pairs[reach, reach] = float(zone.sum())
    return pairs
