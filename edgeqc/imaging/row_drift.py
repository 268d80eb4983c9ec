"""Jumps of brightness from row to row, as charging writes them into a picture."""

from __future__ import annotations

import math

import cv2
import numpy as np
from numpy.typing import NDArray

Plane = NDArray[np.float32]

_SEGMENTS = 16
# A Gaussian edge of sd 0.6 px, the sharpest that a beam draws, puts 0.33 of its largest step into
# each of the neighbouring ones.
_ALONG = 0.3
_SPREADS = 3.0  # a common jump exceeds the spread between segments this many times


def row_jump(pixels: Plane, noise_sd: float) -> float:
    """Return the largest jump that whole rows make together, in grey levels.

    Parameters
    ----------
    pixels : (rows, cols) float32 array
        Grey levels; rows are the fast scan.
    noise_sd : float
        Standard deviation of the pixel noise.

    Notes
    -----
    The row means of 16 segments are differenced from row to row. A discharge moves all segments
    of a row by the same step; a horizontal edge of the specimen is ragged or slanted, and moves
    them at different rows. A jump counts where the median step of the segments exceeds three
    times their spread (median absolute deviation, scaled to a normal sd) and the noise of a
    segment's mean, and where neither neighbouring step goes along with it: the beam's blur and
    raggedness spread an edge of the specimen, even a straight level one, over several rows,
    while a discharge falls between two.
    """
    rows, cols = pixels.shape
    if rows < 64 or cols < 4 * _SEGMENTS:
        return 0.0
    means = cv2.resize(pixels, (_SEGMENTS, rows), interpolation=cv2.INTER_AREA)
    step = np.diff(means, axis=0)
    common = np.median(step, axis=1)
    spread = 1.4826 * np.median(np.abs(step - common[:, None]), axis=1)
    spread = spread + noise_sd * math.sqrt(2 * _SEGMENTS / cols)
    beside = np.pad(common, 1)
    along = np.maximum(beside[:-2] * np.sign(common), beside[2:] * np.sign(common))
    sudden = along < _ALONG * np.abs(common)
    jumps = np.abs(common)[sudden & (np.abs(common) > _SPREADS * spread)]
    return float(jumps.max(initial=0.0))
