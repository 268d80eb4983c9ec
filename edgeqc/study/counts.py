"""Counts per unit (debris): rates and their ratios, with overdispersion."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from edgeqc.errors import StudyError
from edgeqc.quantity import FloatArray
from edgeqc.study.arm_tests import TestResult


@dataclass(frozen=True)
class CountFit:
    """Rates per arm from counts per unit.

    Parameters
    ----------
    rate : (k,) float array
        Counts per face in each arm.
    total : (k,) float array
        Counts in each arm.
    exposure : (k,) float array
        Faces in each arm.
    dispersion : float
        Variance over mean of the counts, given the arm; at least 1.
    df : int
        Degrees of freedom of the dispersion.
    test : TestResult
        Of equal rates.
    """

    rate: FloatArray
    total: FloatArray
    exposure: FloatArray
    dispersion: float
    df: int
    test: TestResult


def fit_counts(
    count: FloatArray, exposure: FloatArray, arm: NDArray[np.integer]
) -> CountFit:
    """Return the log-linear comparison of counts between arms.

    Parameters
    ----------
    count : (n,) float array
        Total count of each unit.
    exposure : (n,) float array
        Faces behind it.
    arm : (n,) int array
        Arm of each unit, 0..k-1.

    Notes
    -----
    Quasi-likelihood with variance proportional to the mean; the dispersion comes from Pearson's
    statistic between units, and F(k − 1, n − k) is the reference for the deviance. A dispersion
    below 1 is taken as 1, the cautious choice.

    References
    ----------
    McCullagh P, Nelder JA (1989). Generalized Linear Models, 2nd ed., sections 6.2 and 9.2.
    """
    from scipy.stats import f

    count, exposure = np.asarray(count, dtype=float), np.asarray(exposure, dtype=float)
    k = int(arm.max()) + 1
    df = count.size - k
    if df < 1 or np.any(exposure <= 0):
        raise StudyError("too few units to judge the spread of counts")
    total = np.bincount(arm, weights=count, minlength=k).astype(np.float64)
    faces = np.bincount(arm, weights=exposure, minlength=k).astype(np.float64)
    rate = total / faces
    expected = rate[arm] * exposure
    seen = expected > 0
    pearson = float(np.sum((count[seen] - expected[seen]) ** 2 / expected[seen]))
    dispersion = max(pearson / df, 1.0)
    name = "log-linear model of counts"
    if total.sum() == 0:
        return CountFit(rate, total, faces, dispersion, df, TestResult(
            name, math.nan, k - 1, df, math.nan, "Nothing was counted in any arm."))
    overall = total.sum() / faces.sum()
    filled = total > 0
    deviance = 2 * float(np.sum(total[filled] * np.log(rate[filled] / overall)))
    statistic = deviance / (k - 1) / dispersion
    test = TestResult(name, statistic, k - 1, df, float(f.sf(statistic, k - 1, df)),
                      f"dispersion {dispersion:.2f}")
    return CountFit(rate, total, faces, dispersion, df, test)


def rate_ratio(
    fit: CountFit, first: int, second: int, *, confidence: float = 0.95
) -> tuple[float, float, float, float]:
    """Return the ratio of two rates (second over first), its interval and p-value.

    Parameters
    ----------
    fit : CountFit
        Rates.
    first, second : int
        The arms.
    confidence : float
        Of the interval.

    Returns
    -------
    ratio, low, high, p : float
        ``nan`` where an arm counts nothing: a ratio with zero has no standard error.
    """
    from scipy.stats import t

    a, b = float(fit.total[first]), float(fit.total[second])
    if a <= 0 or b <= 0:
        return math.nan, math.nan, math.nan, math.nan
    log_ratio = math.log(float(fit.rate[second] / fit.rate[first]))
    se = math.sqrt(fit.dispersion * (1 / a + 1 / b))
    half = float(t.ppf(0.5 + confidence / 2, fit.df)) * se
    p = float(2 * t.sf(abs(log_ratio) / se, fit.df))
    return math.exp(log_ratio), math.exp(log_ratio - half), math.exp(log_ratio + half), p
