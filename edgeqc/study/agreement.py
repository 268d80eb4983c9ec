"""Agreement of two methods or several raters on a measured value."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from edgeqc.errors import StudyError
from edgeqc.quantity import FloatArray


@dataclass(frozen=True)
class Limits:
    """Limits of agreement between two methods, first minus second.

    Parameters
    ----------
    bias, sd : float
        Mean and standard deviation of the differences, in the unit of the values.
    lower, upper : float
        Limits of agreement.
    bias_interval, lower_interval, upper_interval : (float, float)
        95 % confidence intervals.
    n : int
        Pairs.
    slope_p : float
        P-value of a slope of the differences on the means: below 0.05 the limits do not hold
        alike over the range.
    """

    bias: float
    sd: float
    lower: float
    upper: float
    bias_interval: tuple[float, float]
    lower_interval: tuple[float, float]
    upper_interval: tuple[float, float]
    n: int
    slope_p: float


@dataclass(frozen=True)
class Icc:
    """An intra-class correlation.

    Parameters
    ----------
    kind : str
        ``"ICC(1,1)"`` one-way, ``"ICC(2,1)"`` two-way random (absolute agreement),
        ``"ICC(3,1)"`` two-way fixed (consistency); ``k`` instead of 1 for the mean of k raters.
    value, low, high : float
        Estimate and confidence interval.
    """

    kind: str
    value: float
    low: float
    high: float


def limits_of_agreement(
    first: ArrayLike, second: ArrayLike, *, factor: float = 1.96, confidence: float = 0.95
) -> Limits:
    """Return the limits of agreement of paired readings.

    Parameters
    ----------
    first, second : (n,) arrays
        Readings of the same objects.
    factor : float
        Limits are bias ± factor·sd.
    confidence : float
        Of the intervals.

    Notes
    -----
    The standard error of a limit is taken as √(3s²/n), as in the paper.

    References
    ----------
    Bland JM, Altman DG (1986). Statistical methods for assessing agreement between two methods
    of clinical measurement. Lancet i:307-310.
    """
    from scipy.stats import linregress, t

    a, b = np.asarray(first, dtype=float), np.asarray(second, dtype=float)
    if a.shape != b.shape or a.ndim != 1 or a.size < 3:
        raise StudyError("limits of agreement need at least three pairs of readings")
    difference = a - b
    n = difference.size
    bias, sd = float(difference.mean()), float(difference.std(ddof=1))
    quantile = float(t.ppf(0.5 + confidence / 2, n - 1))
    half_bias, half_limit = quantile * sd / math.sqrt(n), quantile * math.sqrt(3 * sd**2 / n)
    lower, upper = bias - factor * sd, bias + factor * sd
    means = (a + b) / 2
    slope = float(linregress(means, difference).pvalue) if np.ptp(means) > 0 else math.nan
    return Limits(
        bias, sd, lower, upper, (bias - half_bias, bias + half_bias),
        (lower - half_limit, lower + half_limit), (upper - half_limit, upper + half_limit),
        n, slope,
    )


def within_sd(readings: ArrayLike) -> float:
    """Return the standard deviation of repeated readings of the same object.

    Parameters
    ----------
    readings : (n, m) array
        Objects × repeats.

    References
    ----------
    Bland JM, Altman DG (1986). Lancet i:307-310, section on repeatability.
    """
    table = np.asarray(readings, dtype=float)
    if table.ndim != 2 or table.shape[1] < 2:
        raise StudyError("repeatability needs at least two readings of each object")
    return float(math.sqrt(np.mean(table.var(axis=1, ddof=1))))


def repeatability(first: ArrayLike, second: ArrayLike) -> float:
    """Return the repeatability coefficient of duplicate readings, 2·√(mean d²).

    Parameters
    ----------
    first, second : (n,) arrays
        Duplicates by one method.

    Notes
    -----
    As in the paper (after BS 5497): two standard deviations of the difference between
    duplicates, whose mean is taken as zero.

    References
    ----------
    Bland JM, Altman DG (1986). Lancet i:307-310.
    """
    difference = np.asarray(first, dtype=float) - np.asarray(second, dtype=float)
    return 2.0 * math.sqrt(float(np.mean(difference**2)))


def corrected_sd(
    first: tuple[ArrayLike, ArrayLike], second: tuple[ArrayLike, ArrayLike]
) -> float:
    """Return the sd of differences between single readings from means of duplicates.

    Parameters
    ----------
    first, second : pairs of (n,) arrays
        Duplicates by each method.

    Notes
    -----
    √(s_D² + ¼s₁² + ¼s₂²) with s₁, s₂ the standard deviations of differences between repeats.

    References
    ----------
    Bland JM, Altman DG (1986). Lancet i:307-310, section on measuring agreement using repeated
    measurements.
    """
    pairs = [np.asarray(method, dtype=float) for method in (first, second)]
    between = float((pairs[0].mean(axis=0) - pairs[1].mean(axis=0)).var(ddof=1))
    repeats = [float(np.mean((pair[0] - pair[1]) ** 2)) for pair in pairs]
    return math.sqrt(between + repeats[0] / 4 + repeats[1] / 4)


def intraclass_correlations(
    ratings: ArrayLike, *, confidence: float = 0.95
) -> dict[str, Icc]:
    """Return the six intra-class correlations of a table of ratings.

    Parameters
    ----------
    ratings : (n, k) array
        Targets × raters, without gaps.
    confidence : float
        Of the intervals.

    References
    ----------
    Shrout PE, Fleiss JL (1979). Intraclass correlations: uses in assessing rater reliability.
    Psychol Bull 86:420-428.
    """
    table = np.asarray(ratings, dtype=float)
    if table.ndim != 2 or min(table.shape) < 2 or not np.all(np.isfinite(table)):
        raise StudyError("intra-class correlation needs a full table of at least 2 × 2 ratings")
    bms, wms, jms, ems = rating_mean_squares(table)
    n, k = table.shape
    one = (bms - wms) / (bms + (k - 1) * wms)
    two = (bms - ems) / (bms + (k - 1) * ems + k * (jms - ems) / n)
    three = (bms - ems) / (bms + (k - 1) * ems)
    ends = {
        "1": _f_interval(bms / wms, (n - 1, n * (k - 1)), k, confidence),
        "2": _absolute_interval((bms, jms, ems), (n, k), two, confidence),
        "3": _f_interval(bms / ems, (n - 1, (n - 1) * (k - 1)), k, confidence),
    }
    means = {
        "1": (bms - wms) / bms,
        "2": (bms - ems) / (bms + (jms - ems) / n),
        "3": (bms - ems) / bms,
    }
    found = {}
    for kind, single in (("1", one), ("2", two), ("3", three)):
        low, high = ends[kind]
        found[f"ICC({kind},1)"] = Icc(f"ICC({kind},1)", single, low, high)
        found[f"ICC({kind},k)"] = Icc(
            f"ICC({kind},k)", means[kind], _stepped_up(low, k), _stepped_up(high, k))
    return found


def rating_mean_squares(table: FloatArray) -> tuple[float, float, float, float]:
    """Return mean squares of targets, within targets, of raters, and of the rest."""
    n, k = table.shape
    grand = table.mean()
    rows, columns = table.mean(axis=1), table.mean(axis=0)
    bms = k * float(np.sum((rows - grand) ** 2)) / (n - 1)
    wms = float(np.sum((table - rows[:, None]) ** 2)) / (n * (k - 1))
    jms = n * float(np.sum((columns - grand) ** 2)) / (k - 1)
    rest = table - rows[:, None] - columns[None] + grand
    return bms, wms, jms, float(np.sum(rest**2)) / ((n - 1) * (k - 1))


def _stepped_up(value: float, k: int) -> float:
    """Reliability of a mean of k raters from that of one."""
    return k * value / (1 + (k - 1) * value)


def _f_interval(
    ratio: float, df: tuple[int, int], k: int, confidence: float
) -> tuple[float, float]:
    from scipy.stats import f

    tail = 0.5 + confidence / 2
    low = ratio / float(f.ppf(tail, df[0], df[1]))
    high = ratio * float(f.ppf(tail, df[1], df[0]))
    return (low - 1) / (low + k - 1), (high - 1) / (high + k - 1)


def _absolute_interval(
    squares: tuple[float, float, float], shape: tuple[int, int], icc: float, confidence: float
) -> tuple[float, float]:
    """Interval of ICC(2,1), with the approximate degrees of freedom of the paper."""
    from scipy.stats import f

    bms, jms, ems = squares
    n, k = shape
    ratio = jms / ems
    top = (k - 1) * (n - 1) * (k * icc * ratio + n * (1 + (k - 1) * icc) - k * icc) ** 2
    bottom = ((n - 1) * k**2 * icc**2 * ratio**2
              + (n * (1 + (k - 1) * icc) - k * icc) ** 2)
    v = top / bottom
    tail = 0.5 + confidence / 2
    f_low, f_high = float(f.ppf(tail, n - 1, v)), float(f.ppf(tail, v, n - 1))
    shared = k * jms + (k * n - k - n) * ems
    return (n * (bms - f_low * ems) / (f_low * shared + n * bms),
            n * (f_high * bms - ems) / (shared + n * f_high * bms))
