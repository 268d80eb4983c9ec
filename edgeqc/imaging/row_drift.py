"""Jumps of brightness from row to row, as charging writes them into a picture."""

from __future__ import annotations

import math

import cv2
import numpy as np
from numpy.typing import NDArray

Plane = NDArray[np.float32]

_SEGMENTS = 16


def row_drift(pixels: Plane, noise_sd: float) -> float:
    """Return the size of common jumps of whole rows, in grey levels.

    Parameters
    ----------
    pixels : (rows, cols) float32 array
        Grey levels; rows are the fast scan.
    noise_sd : float
        Standard deviation of the pixel noise.

    Notes
    -----
    The row means of 16 columns of segments are differenced from row to row. What charging adds
    is common to all segments of a row, what the specimen adds is not: the covariance between
    the two halves of the segments (odd and even) is the variance of the common jumps, free of
    noise. The median over groups of rows keeps a single horizontal edge of the specimen out.
    """
    rows, cols = pixels.shape
    if rows < 64 or cols < 4 * _SEGMENTS:
        return 0.0
    means = cv2.resize(pixels, (_SEGMENTS, rows), interpolation=cv2.INTER_AREA)
    step = np.diff(means, axis=0)
    # within each half the median over segments leaves single objects out
    left = np.median(step[:, 0::2], axis=1)
    right = np.median(step[:, 1::2], axis=1)
    groups = np.array_split(np.arange(step.shape[0]), max(4, step.shape[0] // 48))
    common = [float(np.mean(left[group] * right[group])) for group in groups]
    return math.sqrt(max(0.0, float(np.median(common))))
