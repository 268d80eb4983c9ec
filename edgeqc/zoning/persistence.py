"""How far the lines of a texture run on: the correlation of patches with themselves, by direction.

A blade's marks stay like themselves along their way, and in the same direction at every distance;
ridges and fibrils of a torn surface turn, branch and end.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from edgeqc.quantity import FloatArray
from edgeqc.zoning.texture import FloatImage

LAGS = (3.0, 6.0, 12.0, 20.0, 28.0)
"""Distances of a patch of 64 samples with itself; shorter ones in proportion for smaller ones."""
N_PERSISTENCE = 3 * len(LAGS) + 4
_FULL = 64
_NEAR = 1.5
_ANGLES = np.arange(24) * np.pi / 24
_LEAST_OVERLAP = 1e-3


@lru_cache(maxsize=4)
def window_of(size: int) -> FloatImage:
    """Return the two-dimensional Hann window of patches of one size."""
    return np.outer(np.hanning(size), np.hanning(size)).astype(np.float32)


@lru_cache(maxsize=4)
def _overlap(size: int) -> FloatImage:
    """Return the correlation of the window with itself: what a constant patch would show."""
    spectrum = np.abs(fft.rfft2(window_of(size), s=(2 * size, 2 * size))) ** 2
    own = fft.irfft2(spectrum, s=(2 * size, 2 * size))
    return np.asarray(np.maximum(own, own[0, 0] * _LEAST_OVERLAP))


@lru_cache(maxsize=32)
def _ring(size: int, lag: float) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Return rows and columns of the correlation at a lag, one for each direction."""
    row = np.rint(lag * np.sin(_ANGLES)).astype(int) % (2 * size)
    col = np.rint(lag * np.cos(_ANGLES)).astype(int) % (2 * size)
    return row, col


def line_persistence(patches: FloatImage) -> FloatArray:
    """Return how far lines of a region run on, and how they keep their direction.

    Parameters
    ----------
    patches : (n, size, size) float32 array
        Patches without their mean, under ``window_of(size)``.

    Returns
    -------
    (N_PERSISTENCE,) float array
        For each lag: the highest correlation over directions of all patches together, the median
        of each patch's own highest, and how far the highest stands above the middle of the
        directions, all relative to the correlation at a lag of 1.5 samples. Then the cosine of
        twice the angle between the best directions at the second and fourth, and at the third and
        fifth lag, and the length of the patches' mean direction (doubled angles) at the second and
        the fourth lag.

    Notes
    -----
    Correlations by the Wiener-Khinchin theorem, with patches padded to twice their size, divided
    by the window's own.
    """
    size = patches.shape[-1]
    scale = size / _FULL
    spectrum = np.abs(fft.rfft2(patches, s=(2 * size, 2 * size))) ** 2
    own = fft.irfft2(spectrum, s=(2 * size, 2 * size)) / _overlap(size)

    def at(lag: float) -> FloatArray:
        return np.asarray(own[(slice(None), *_ring(size, lag))], float)

    near = at(_NEAR)
    base = max(float(near.mean(axis=0).max()), 1e-6)
    bases = np.maximum(near.max(axis=1), 1e-6)
    found: list[float] = []
    best, each_best = [], []
    for lag in LAGS:
        each = at(lag * scale)
        together = each.mean(axis=0)
        found += [
            float(together.max() / base),
            float(np.median(each.max(axis=1) / bases)),
            float((together.max() - np.median(together)) / base),
        ]
        best.append(_ANGLES[int(together.argmax())])
        each_best.append(_ANGLES[each.argmax(axis=1)])
    found += [float(np.cos(2 * (best[1] - best[3]))), float(np.cos(2 * (best[2] - best[4])))]
    found += [float(np.abs(np.exp(2j * each_best[which]).mean())) for which in (1, 3)]
    return np.array(found)
