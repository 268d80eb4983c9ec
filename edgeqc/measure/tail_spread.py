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
    """Exponential tails of a batch of sets of heights.

    Parameters
    ----------
    scale : (batch,) float array
        Scale of the tail in µm: by so much lower, e times as many events reach; NaN where there
        are too few heights.
    freedom : (batch,) float array
        Degrees of freedom of the scale.
    """

    scale: FloatArray
    freedom: FloatArray


def tails_of(heights: FloatArray, *, blocks: bool = True) -> Tails:
    """Return the tails of (batch, n) sets of extreme heights.

    Parameters
    ----------
    heights : (batch, n) float array
        The highest of many blocks or tiles, or heights of many peaks, in µm; NaN where there is
        none.
    blocks : bool
        Whether each is the highest of a block, in which more than one event may lie.

    Notes
    -----
    The mean excess over the k-th highest, k = 20 or half of them. Where i of N blocks reach a
    height, -N ln(1 - i/N) events do, so that their heights lie farther apart than those of single
    events. A tail that falls faster than an exponential one, as that of Gaussian heights, comes
    out some three tenths too wide.

    References
    ----------
    Spacings of extreme order statistics: J. Am. Stat. Assoc. 1978;73:812 (from memory).

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> single = tails_of(rng.exponential(2.0, (400, 64)), blocks=False)
    >>> round(float(single.scale.mean()), 1)
    2.0
    >>> highest = tails_of(rng.exponential(2.0, (400, 64, 30)).max(axis=2))
    >>> round(float(highest.scale.mean()), 1)
    2.0
    """
    falling = -np.sort(-heights, axis=1)  # NaN goes to the end
    known = np.isfinite(falling).sum(axis=1)
    count = np.minimum(TAIL_HEIGHTS, np.maximum(known // 2, LEAST_TAIL))
    rows, rank = np.arange(falling.shape[0]), np.arange(1, falling.shape[1] + 1)
    last = falling[rows, np.minimum(count, falling.shape[1]) - 1]
    above = rank < count[:, None]
    scale = np.where(above, falling - last[:, None], 0.0).sum(axis=1) / (count - 1.0)
    if blocks:
        whole = np.maximum(known, LEAST_TAIL + 1)[:, None]
        share = np.minimum(np.arange(1, falling.shape[1] + 2) / whole, 1.0 - 1e-9)
        step = np.diff(np.log(-np.log1p(-share)), axis=1) / np.log1p(1.0 / rank)
        scale /= np.where(above, step, 0.0).sum(axis=1) / (count - 1.0)
    return Tails(np.where(known >= count, scale, np.nan), count - 1.0)
