"""The tail of extreme heights: how far apart its heights lie, and how far they may scatter."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from edgeqc.quantity import FloatArray

TAIL_HEIGHTS, LEAST_TAIL = 20, 5
"""Extreme heights at most, and at least, from which their tail is told."""

LARGEST_SPREAD = math.pi / math.sqrt(6.0)
"""Standard deviation of the highest of many heights over the scale of their exponential tail
(Gumbel's law, closed form)."""


@dataclass(frozen=True)
class Tails:
    """Tails of a batch of sets of heights.

    Parameters
    ----------
    even : (batch,) float array
        Scale of an exponential tail in µm; NaN where there are too few heights.
    square : (batch,) float array
        Scale of the squares of a Gaussian tail in µm².
    gaussian : (batch,) float array
        How much more likely the Gaussian tail is, 0 to 1.
    threshold : (batch,) float array
        Height in µm from which the tail is told.
    highest : (batch,) float array
        The highest height in µm.
    freedom : (batch,) float array
        Degrees of freedom of the scales.
    """

    even: FloatArray
    square: FloatArray
    gaussian: FloatArray
    threshold: FloatArray
    highest: FloatArray
    freedom: FloatArray

    def scale_at(self, height_um: FloatArray) -> FloatArray:
        """Return the scale of the tail at (batch, ...) heights, in µm.

        References
        ----------
        -dz/d ln(share above z): constant in an exponential tail, σ²/z in a Gaussian one.
        """
        one = (slice(None), *(np.newaxis,) * (height_um.ndim - 1))
        at = np.maximum(height_um, self.threshold[one])
        with np.errstate(invalid="ignore", divide="ignore"):
            falling = np.where(self.gaussian[one] > 0, self.square[one] / (2.0 * at), 0.0)
        share = self.gaussian[one]
        return np.asarray((1.0 - share) * self.even[one] + share * falling)

    def largest_spread(self) -> FloatArray:
        """Return the standard deviation of the highest height, in µm.

        References
        ----------
        As of `LARGEST_SPREAD`.
        """
        return LARGEST_SPREAD * self.scale_at(self.highest)


def tails_of(heights: FloatArray) -> Tails:
    """Return the tails of (batch, n) sets of extreme heights.

    Parameters
    ----------
    heights : (batch, n) float array
        Heights of many peaks, or the highest of many tiles, in µm from the mean plane; NaN where
        there is none.

    Notes
    -----
    Mean excess over the k-th highest, k = 20 or half of them, of the heights and of their
    squares: the first are exponential where events come at random in depth, the second where
    heights are Gaussian. The two are weighted by how likely each makes the heights.

    References
    ----------
    Spacings of extreme order statistics: J. Am. Stat. Assoc. 1978;73:812 (from memory).

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> tails = tails_of(np.sort(rng.exponential(2.0, (400, 64)), axis=1)[:, 32:])
    >>> round(float(tails.scale_at(tails.highest).mean()), 1)
    1.8
    """
    falling = -np.sort(-heights, axis=1)  # NaN goes to the end
    known = np.isfinite(falling).sum(axis=1)
    count = np.minimum(TAIL_HEIGHTS, np.maximum(known // 2, LEAST_TAIL))
    enough = known >= count
    rows = np.arange(falling.shape[0])
    last = falling[rows, np.minimum(count, falling.shape[1]) - 1]
    last = np.where(enough, last, np.nan)
    above = np.arange(falling.shape[1]) < (count - 1)[:, None]
    tail = np.where(above, falling, np.nan)
    even = np.nansum(tail - last[:, None], axis=1) / (count - 1.0)
    square = np.nansum(tail**2 - last[:, None] ** 2, axis=1) / (count - 1.0)
    with np.errstate(invalid="ignore", divide="ignore"):
        # logarithm of how likely the heights are under the second law, over the first
        odds = np.nansum(np.log(2.0 * tail), axis=1) - (count - 1.0) * np.log(square / even)
        gaussian = np.where((last > 0) & (even > 0), 1.0 / (1.0 + np.exp(-odds)), 0.0)
    even = np.where(enough, even, np.nan)
    return Tails(even, square, gaussian, last, falling[:, 0], count - 1.0)
