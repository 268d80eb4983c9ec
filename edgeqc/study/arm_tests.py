"""Tests between arms on one value per unit: classical, Welch, Games-Howell, bootstrap.

Everything here works on arm means, their estimated variances and the degrees of freedom of
those variances, so that it serves unit means and arm-wise mixed models alike.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from edgeqc.errors import StudyError
from edgeqc.quantity import FloatArray


@dataclass(frozen=True)
class ArmMeans:
    """Means of the arms with what is known of their spread.

    Parameters
    ----------
    mean : (k,) float array
        Mean of each arm over its units.
    variance : (k,) float array
        Estimated variance of each mean (squared standard error).
    df : (k,) float array
        Degrees of freedom of each variance.
    n : (k,) int array
        Units in each arm.
    """

    mean: FloatArray
    variance: FloatArray
    df: FloatArray
    n: FloatArray


@dataclass(frozen=True)
class TestResult:
    """An F or t test.

    Parameters
    ----------
    name : str
        The test, in words.
    statistic : float
        F, t or another statistic.
    df_num, df_den : float
        Degrees of freedom; ``nan`` where the reference has none.
    p : float
        Probability under no difference; ``nan`` where it could not be had, and then ``note``
        says why.
    note : str
        A plain sentence where something has to be said beside the number.
    """

    __test__ = False

    name: str
    statistic: float
    df_num: float
    df_den: float
    p: float
    note: str = ""


@dataclass(frozen=True)
class Difference:
    """Difference between two arms, second minus first.

    Parameters
    ----------
    first, second : int
        Index of the arms.
    estimate, se : float
        Difference and its standard error, in the response's unit.
    df : float
        Degrees of freedom.
    low, high : float
        Confidence interval of this one difference.
    p : float
        Two-sided, for this one difference.
    p_family : float
        Allowing for all pairs looked at.
    """

    first: int
    second: int
    estimate: float
    se: float
    df: float
    low: float
    high: float
    p: float
    p_family: float


def arm_means(groups: Sequence[FloatArray]) -> ArmMeans:
    """Return means and spreads of arms given the values of their units.

    Parameters
    ----------
    groups : sequence of (n_k,) float arrays
        One value per unit, an array per arm; at least two units each.
    """
    if any(group.size < 2 for group in groups):
        raise StudyError(
            "an arm has fewer than two units",
            rule="A spread needs at least two values.",
        )
    size = np.array([group.size for group in groups], dtype=float)
    mean = np.array([group.mean() for group in groups])
    spread = np.array([group.var(ddof=1) for group in groups])
    # the rounding residue of equal values is no spread
    spread[spread <= (1e-12 * np.maximum(np.abs(mean), 1e-300)) ** 2] = 0.0
    return ArmMeans(mean, spread / size, size - 1, size)


def classical_anova(groups: Sequence[FloatArray]) -> TestResult:
    """Return the classical one-way analysis of variance (equal spread assumed).

    Parameters
    ----------
    groups : sequence of (n_k,) float arrays
        Values per arm.

    Notes
    -----
    Sums of squares are taken about the means, after subtraction of the first value, so that
    large offsets cost no digits.

    References
    ----------
    NIST/SEMATECH e-Handbook of Statistical Methods, section 7.4.3.
    """
    from scipy.stats import f

    between, within, df_num, df_den = sums_of_squares(groups)
    if within <= 0:
        return TestResult("one-way analysis of variance", math.nan, df_num, df_den, math.nan,
                          "The values within arms do not vary.")
    statistic = between / df_num / (within / df_den)
    return TestResult("one-way analysis of variance", statistic, df_num, df_den,
                      float(f.sf(statistic, df_num, df_den)))


def sums_of_squares(groups: Sequence[FloatArray]) -> tuple[float, float, int, int]:
    """Return sums of squares between and within arms, and their degrees of freedom."""
    origin = float(groups[0][0])
    shifted = [np.asarray(group, dtype=np.float64) - origin for group in groups]
    total = np.concatenate(shifted)
    grand = math.fsum(total) / total.size
    means = [math.fsum(group) / group.size for group in shifted]
    pairs = list(zip(shifted, means, strict=True))
    between = math.fsum(group.size * (mean - grand) ** 2 for group, mean in pairs)
    within = math.fsum(value for group, mean in pairs for value in (group - mean) ** 2)
    return between, within, len(groups) - 1, total.size - len(groups)


def welch_anova(arms: ArmMeans) -> TestResult:
    """Return Welch's test of equal means under unequal spread.

    References
    ----------
    Welch BL (1951). On the comparison of several mean values: an alternative approach.
    Biometrika 38:330-336.
    """
    from scipy.stats import f

    name = "Welch's test"
    k = arms.mean.size
    if np.any(arms.variance <= 0):
        return TestResult(name, math.nan, k - 1, math.nan, math.nan,
                          "The units of at least one arm are all equal, so that its spread"
                          " cannot be judged.")
    statistic, df_den = (float(part[0]) for part in _welch(
        arms.mean[None], arms.variance[None], arms.df))
    return TestResult(name, statistic, k - 1, df_den, float(f.sf(statistic, k - 1, df_den)))


def welch_statistics(mean: FloatArray, variance: FloatArray, df: FloatArray) -> FloatArray:
    """Return Welch's F for many sets of arm means at once, shape (r,).

    Parameters
    ----------
    mean, variance : (r, k) float arrays
        Arm means and squared standard errors.
    df : (k,) or (r, k) float array
        Degrees of freedom.
    """
    return _welch(mean, variance, df)[0]


def _welch(mean: FloatArray, variance: FloatArray, df: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Welch's F and its denominator degrees of freedom for rows of arm means."""
    k = mean.shape[1]
    weight = 1.0 / variance
    total = weight.sum(axis=1, keepdims=True)
    grand = (weight * mean).sum(axis=1, keepdims=True) / total
    lack = np.sum((1.0 - weight / total) ** 2 / df, axis=1)
    form = np.sum(weight * (mean - grand) ** 2, axis=1) / (k - 1)
    statistic = form / (1.0 + 2.0 * (k - 2) / (k**2 - 1.0) * lack)
    return statistic, (k**2 - 1.0) / (3.0 * lack)


def bootstrap_anova(
    arms: ArmMeans, rng: np.random.Generator, *, draws: int = 9999
) -> TestResult:
    """Return the parametric bootstrap test of equal means under unequal spread.

    Parameters
    ----------
    arms : ArmMeans
        Means and spreads.
    rng : numpy.random.Generator
        Source of the draws.
    draws : int
        Number of draws.

    Notes
    -----
    Welch's test becomes liberal when many arms have few units each (7-9 % instead of 5 % at six
    arms of three or four); this one does not.

    References
    ----------
    Krishnamoorthy K, Lu F, Mathew T (2007). A parametric bootstrap approach for ANOVA with
    unequal variances. Computational Statistics & Data Analysis 51:5731-5742.
    """
    name = "parametric bootstrap test"
    k = arms.mean.size
    if np.any(arms.variance <= 0):
        return TestResult(name, math.nan, k - 1, math.nan, math.nan,
                          "The units of at least one arm are all equal.")
    observed = _spread_of(arms.mean[None], arms.variance[None])[0]
    means = rng.standard_normal((draws, k)) * np.sqrt(arms.variance)
    spreads = arms.variance * rng.chisquare(arms.df, (draws, k)) / arms.df
    reached = int(np.sum(_spread_of(means, spreads) >= observed))
    return TestResult(name, float(observed), k - 1, math.nan, (reached + 1) / (draws + 1))


def _spread_of(mean: FloatArray, variance: FloatArray) -> FloatArray:
    """Weighted sum of squares of rows of means about their weighted mean."""
    weight = 1.0 / variance
    grand = (weight * mean).sum(axis=1, keepdims=True) / weight.sum(axis=1, keepdims=True)
    return np.asarray(np.sum(weight * (mean - grand) ** 2, axis=1))


def welch_difference(
    arms: ArmMeans, first: int, second: int, *, family: int = 2, confidence: float = 0.95
) -> Difference:
    """Return one difference under unequal spread, with its Games-Howell p-value.

    Parameters
    ----------
    arms : ArmMeans
        Means and spreads.
    first, second : int
        The arms; the difference is second minus first.
    family : int
        Number of arms whose pairs are looked at together.
    confidence : float
        Of the interval of this one difference.

    Notes
    -----
    Degrees of freedom after Welch and Satterthwaite; the family p-value refers |t|·√2 to the
    studentised range.

    References
    ----------
    Welch BL (1947). Biometrika 34:28-35. Games PA, Howell JF (1976). Pairwise multiple
    comparison procedures with unequal n's and/or variances. J Educ Stat 1:113-125.
    """
    from scipy.stats import studentized_range, t

    shares = arms.variance[[first, second]]
    estimate = float(arms.mean[second] - arms.mean[first])
    variance = float(shares.sum())
    if variance <= 0:
        return Difference(first, second, estimate, 0.0, math.nan, estimate, estimate,
                          math.nan, math.nan)
    df = effective_df(shares, arms.df[[first, second]])
    se = math.sqrt(variance)
    value = abs(estimate) / se
    half = float(t.ppf(0.5 + confidence / 2, df)) * se
    p = float(2 * t.sf(value, df))
    p_family = p if family <= 2 else float(studentized_range.sf(value * math.sqrt(2), family, df))
    return Difference(first, second, estimate, se, df, estimate - half, estimate + half, p,
                      max(p, p_family))


def pooled_difference(
    groups: Sequence[FloatArray], first: int, second: int, *, family: int | None = None,
    confidence: float = 0.95,
) -> Difference:
    """Return one difference with the spread pooled over all arms; family p after Tukey.

    Parameters
    ----------
    groups : sequence of (n_k,) float arrays
        Values per arm.
    first, second : int
        The arms; the difference is second minus first.
    family : int, optional
        Number of arms whose pairs are looked at together; all where not given.
    confidence : float
        Of the interval of this one difference.

    References
    ----------
    NIST/SEMATECH e-Handbook of Statistical Methods, section 7.4.7.1.
    """
    from scipy.stats import studentized_range, t

    _, within, _, df = sums_of_squares(groups)
    a, b = groups[first], groups[second]
    estimate = float(b.mean() - a.mean())
    se = math.sqrt(within / df * (1 / a.size + 1 / b.size))
    half = float(t.ppf(0.5 + confidence / 2, df)) * se
    value = abs(estimate) / se if se > 0 else math.nan
    k = len(groups) if family is None else family
    p = float(2 * t.sf(value, df))
    p_family = p if k <= 2 else float(studentized_range.sf(value * math.sqrt(2), k, df))
    return Difference(first, second, estimate, se, df, estimate - half, estimate + half, p,
                      p_family)


def effective_df(variances: FloatArray, df: FloatArray) -> float:
    """Return the effective degrees of freedom of a sum of variances.

    Parameters
    ----------
    variances : (m,) float array
        Independent contributions to a variance.
    df : (m,) float array
        Degrees of freedom of each; infinite where a contribution is known.

    References
    ----------
    JCGM 100:2008 (GUM), G.4.1, equation G.2b. Satterthwaite FE (1946). Biometrics 2:110-114.

    Examples
    --------
    >>> effective_df(np.array([1.0, 1.0]), np.array([9.0, 9.0]))
    18.0
    """
    total = float(np.sum(variances))
    lack = float(np.sum(np.asarray(variances) ** 2 / np.asarray(df)))
    return math.inf if lack == 0 else total**2 / lack


def hedges_g(a: FloatArray, b: FloatArray) -> tuple[float, float, float]:
    """Return the standardised difference (b minus a) and its 95 % interval.

    Parameters
    ----------
    a, b : (n,) float arrays
        Values of two arms.

    Notes
    -----
    Difference over the root mean of the two variances, times the small-sample factor
    1 − 3/(4·df − 1); interval from its large-sample variance, a guide only at few units.

    References
    ----------
    Hedges LV (1981). J Educ Stat 6:107-128.
    """
    n, m = a.size, b.size
    pooled = math.sqrt((a.var(ddof=1) + b.var(ddof=1)) / 2)
    if pooled <= 0:
        return math.nan, math.nan, math.nan
    df = n + m - 2
    g = float(b.mean() - a.mean()) / pooled * (1 - 3 / (4 * df - 1))
    half = 1.96 * math.sqrt((n + m) / (n * m) + g**2 / (2 * df))
    return g, g - half, g + half
