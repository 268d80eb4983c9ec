"""Two slopes on the probability curve of heights, and how far its tails leave them open.

The ends of the curve rest on the few deepest dales and highest hills: leaving out blocks tells
little of their chance. They are moved instead by as much as such extremes scatter.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri

from edgeqc.measure.block_spread import skewness_and_kurtosis
from edgeqc.measure.tail_spread import LARGEST_SPREAD, Tails, tails_of
from edgeqc.quantity import FloatArray

PROBABILITY_POINTS = 241
"""Points at which the probability curve is read, evenly spaced in standard deviations."""

PROBABILITY_REACH = 3.0
"""Reach of the probability curve to either side, in standard deviations: beyond it lie outliers
(ISO 13565-3:1998, annex, from memory)."""

ALIKE = 0.25
"""Relative difference below which the two slopes are those of one surface: there is then no
transition, and no material ratio of it is given."""

MIN_SEGMENT = 40
"""Least points of one of the two straight lines fitted to the probability curve."""

SURE_OF_TWO = 2.0
"""Difference of the probability curve's two slopes over its own uncertainty from which they are
two: a break found in chance alone parts any curve in two lines."""

MOVED = 2.0
"""Standard deviations by which a tail is moved, about as far as the interval reaches: the break
jumps, so that a small move says too little."""

UNKNOWN_RATIO = 100.0 / math.sqrt(12.0)
"""Standard deviation in percent of a material ratio of which nothing is known."""


@dataclass(frozen=True)
class SlopeSpread:
    """Standard uncertainties of the two slopes in µm, their difference and the transition.

    With those of skewness, kurtosis and the height difference between two material ratios, as far
    as the tails decide them.
    """

    plateau: FloatArray
    dale: FloatArray
    apart: FloatArray
    transition: FloatArray
    skewness: FloatArray
    kurtosis: FloatArray
    difference: FloatArray
    freedom: FloatArray


def probability_values(curve: FloatArray, prefix: str = "R") -> dict[str, FloatArray]:
    """Return the slopes of the plateau and the dale part of the probability curve.

    Parameters
    ----------
    curve : (batch, m) float array
        Heights in falling order.
    prefix : str
        ``"R"``, ``"P"``, ``"W"`` or ``"S"``.

    Returns
    -------
    dict of str to (batch,) float array
        ``pq``, ``vq`` in the curve's unit and ``mq`` in percent.

    Notes
    -----
    The curve is read against the standard normal quantile of its material ratio. Two straight
    lines are fitted, with the break where the sum of squares is smallest; ``mq`` is the material
    ratio where they meet. On one Gaussian surface both slopes are its root mean square height
    and ``mq`` has no meaning.

    References
    ----------
    ISO 13565-3:1998 (definition of the slopes); the search for the break is ours.
    """
    plateau, dale, meet = _two_lines(*_read(curve))
    with np.errstate(invalid="ignore"):
        alike = np.abs(plateau - dale) < ALIKE * np.fmax(np.abs(plateau), np.abs(dale))
    return {
        prefix + "pq": plateau, prefix + "vq": dale, prefix + "mq": np.where(alike, np.nan, meet)}


def slope_spread(
    curve: FloatArray,
    extremes: tuple[FloatArray, FloatArray],
    u_rms_rel: FloatArray,
    ratios: tuple[float, float],
) -> SlopeSpread:
    """Return how far the two slopes and their transition are left open by what was sampled.

    Parameters
    ----------
    curve : (batch, m) float array
        Heights in µm in falling order, from the mean line or plane.
    extremes : ((batch, blocks) float array, (batch, blocks) float array)
        Highest and lowest height of each block or tile; NaN where it has none.
    u_rms_rel : (batch,) float array
        Relative standard uncertainty of the root mean square height from the finite region, by
        which both slopes go up and down.
    ratios : (float, float)
        The two material ratios of the height difference.

    Notes
    -----
    Below a height that n blocks reach, the curve is that of n independent events: it scatters by
    the tail's scale over √n, and by that of a highest height where n is less than one. Each tail
    is moved out and in by twice that and the lines are fitted anew; half the root mean square of
    both moves is the standard uncertainty.

    References
    ----------
    Order statistics of an exponential tail, closed form; JCGM 100:2008, 5.1.3 note 2 (a change
    found by moving the input).
    """
    x, z = _read(curve)
    at = np.clip(np.searchsorted(x, ndtri(ratios)), 0, x.size - 1)
    found = _all_lines(x, z, at)
    square = np.zeros_like(found)
    high, low = (tails_of(heights) for heights in (extremes[0], -extremes[1]))
    ends = (z, extremes[0], high), (-z, -extremes[1], low)
    for heights, events, tails in ends:
        move = MOVED * _scatter(heights, events, tails)
        for way in (-1.0, 1.0):
            with np.errstate(invalid="ignore"):  # a flat curve has no transition, no skewness
                square += (_all_lines(x, z + way * move, at) - found) ** 2 / (2.0 * MOVED**2)
    plateau, dale, apart, transition, skewness, kurtosis, difference = np.sqrt(square)
    return SlopeSpread(
        np.hypot(plateau, found[0] * u_rms_rel), np.hypot(dale, found[1] * u_rms_rel), apart,
        transition, skewness, kurtosis, difference, np.minimum(high.freedom, low.freedom))


def sure_transition(
    transition: FloatArray, apart: FloatArray, spread: SlopeSpread
) -> FloatArray:
    """Return the material ratio of the transition, NaN where the two slopes may well be one.

    Parameters
    ----------
    transition : (batch,) float array
        Material ratio in percent.
    apart : (batch,) float array
        Difference of the two slopes in µm.
    spread : SlopeSpread
        Their uncertainties.

    References
    ----------
    ISO 13565-3:1998 (two processes, two slopes); JCGM 100:2008, 6.3.3 (two standard
    uncertainties), 4.3.7 (a quantity of which only the bounds are known).
    """
    known = np.abs(apart) > SURE_OF_TWO * spread.apart
    sure: FloatArray = np.where(
        known & (spread.transition < UNKNOWN_RATIO), transition, np.nan)
    return sure


def _scatter(heights: FloatArray, events: FloatArray, tails: Tails) -> FloatArray:
    """Return how the curve's heights scatter in its upper tail; zero below it."""
    blocks = np.isfinite(events).sum(axis=1, keepdims=True)
    reached = np.zeros(heights.shape)
    for block in events.T:
        reached += block[:, None] >= heights
    spread = tails.scale[:, None] * np.minimum(
        1.0 / np.sqrt(np.maximum(reached, 0.5)), LARGEST_SPREAD)
    return np.where(reached < 0.5 * blocks, spread, 0.0)


def _read(curve: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Quantiles of the normal law, and the heights of the curves there."""
    m = curve.shape[1]
    reach = min(PROBABILITY_REACH, -float(ndtri(2.0 / max(m, 5))))
    x = np.linspace(-reach, reach, PROBABILITY_POINTS)
    position = np.clip(ndtr(x) * m - 0.5, 0, m - 1)
    lower = np.minimum(position.astype(np.int64), m - 2)
    share = position - lower
    return x, curve[:, lower] * (1 - share) + curve[:, lower + 1] * share


def _all_lines(x: FloatArray, z: FloatArray, at: NDArray[np.int64]) -> FloatArray:
    """Return what `SlopeSpread` has the uncertainties of, in its order: (7, batch)."""
    plateau, dale, meet = _two_lines(x, z)
    borders = ndtr(np.concatenate([[-np.inf], 0.5 * (x[1:] + x[:-1]), [np.inf]]))
    weight = np.diff(borders)
    skewness, kurtosis = skewness_and_kurtosis({str(k): z**k @ weight for k in range(1, 5)})
    return np.stack([
        plateau, dale, plateau - dale, meet, skewness, kurtosis, z[:, at[0]] - z[:, at[1]]])


def _two_lines(x: FloatArray, z: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Slopes of the two lines and the material ratio in percent where they meet."""
    upper_fit = _running_lines(x, z)
    lower_fit = [field[:, ::-1] for field in _running_lines(x[::-1], z[:, ::-1])]
    breaks = np.arange(MIN_SEGMENT, PROBABILITY_POINTS - MIN_SEGMENT)
    cost = upper_fit[2][:, breaks] + lower_fit[2][:, breaks + 1]
    best = breaks[np.argmin(cost, axis=1)]
    rows = np.arange(z.shape[0])
    slope_up, level_up = (field[rows, best] for field in upper_fit[:2])
    slope_low, level_low = (field[rows, best + 1] for field in lower_fit[:2])
    with np.errstate(divide="ignore", invalid="ignore"):
        meet = (level_low - level_up) / (slope_up - slope_low)
    return -slope_up, -slope_low, np.asarray(100.0 * ndtr(meet))


def _running_lines(x: FloatArray, z: FloatArray) -> list[FloatArray]:
    """Slope, level at x = 0 and sum of squares of the line through the points up to each one."""
    count = np.arange(1, x.size + 1, dtype=np.float64)
    sx, sxx = np.cumsum(x), np.cumsum(x * x)
    sz, szz, sxz = (np.cumsum(field, axis=1) for field in (z, z * z, z * x))
    with np.errstate(divide="ignore", invalid="ignore"):
        vx = sxx - sx * sx / count
        cxz = sxz - sx * sz / count
        slope = cxz / vx
        level = (sz - slope * sx) / count
        squares = szz - sz * sz / count - slope * cxz
    return [slope, level, squares]
