"""Planning: units per arm for a chosen difference, and what more faces per unit would buy."""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import cache

import numpy as np

from edgeqc.errors import StudyError
from edgeqc.quantity import FloatArray

_NODES = 64
"""Quadrature nodes: power to 5e-6."""

_MANY = 1e7
"""Units per arm beyond which a plan is called hopeless (infinite)."""


def units_per_arm(
    effect: float, *, power: float = 0.8, alpha: float = 0.05, paired: bool = False
) -> float:
    """Return the units per arm (a real number: round up) that detect a difference.

    Parameters
    ----------
    effect : float
        Difference over the standard deviation of unit means (of the paired differences where
        ``paired``).
    power : float
        Wanted probability of detection.
    alpha : float
        Two-sided level.
    paired : bool
        Pairs instead of two independent arms.

    Notes
    -----
    Two-sided t test, power from the noncentral t distribution; the far tail counts too.

    References
    ----------
    Cohen J (1988). Statistical Power Analysis for the Behavioral Sciences, 2nd ed., chapter 2.
    """
    size = abs(effect)
    if not size > 0:
        raise StudyError("no sample size detects a difference of zero")

    def lack(n: float) -> float:
        df = n - 1 if paired else 2 * (n - 1)
        return t_power(size * math.sqrt(n if paired else n / 2), df, alpha=alpha) - power

    return _least(lack)


@cache
def _quadrature(nodes: int) -> tuple[FloatArray, FloatArray]:
    node, weight = np.polynomial.legendre.leggauss(nodes)
    return node, weight


def t_power(shift: float, df: float, *, alpha: float = 0.05) -> float:
    """Return the power of a two-sided t test.

    Parameters
    ----------
    shift : float
        Noncentrality: true difference over its standard error.
    df : float
        Degrees of freedom.
    alpha : float
        Level.

    Notes
    -----
    The normal probability given the estimated spread, averaged over the chi distribution of that
    spread by Gauss-Legendre quadrature: library series of the noncentral t fail at large shifts.
    """
    from scipy.special import chdtri, ndtr, stdtrit

    cut = float(stdtrit(df, 1 - alpha / 2))
    node, weight = _quadrature(_NODES)
    spread = np.sqrt(chdtri(df, (1 - node) / 2) / df)
    hit = ndtr(shift - cut * spread) + ndtr(-shift - cut * spread)
    return float(weight @ hit / 2)


def _least(lack: Callable[[float], float]) -> float:
    """Smallest n of at least 2 at which the power is no longer lacking."""
    from scipy.optimize import brentq

    if lack(2.0) >= 0:
        return 2.0
    high = 4.0
    while lack(high) < 0:
        high *= 2
        if high > _MANY:
            return math.inf
    return float(brentq(lack, high / 2, high, xtol=1e-9, rtol=1e-12))


def units_per_arm_anova(
    f: float, arms: int, *, power: float = 0.8, alpha: float = 0.05
) -> float:
    """Return the units per arm that a one-way analysis of variance needs.

    Parameters
    ----------
    f : float
        Standard deviation of the arm means over that within arms.
    arms : int
        Number of arms.
    power, alpha : float
        Wanted probability of detection, level.

    References
    ----------
    Cohen J (1988). Statistical Power Analysis for the Behavioral Sciences, 2nd ed., chapter 8.
    """
    from scipy.stats import f as f_distribution
    from scipy.stats import ncf

    if not f > 0 or arms < 2:
        raise StudyError("an analysis of variance needs an effect and two arms to be planned")

    def lack(n: float) -> float:
        df = arms * (n - 1)
        cut = float(f_distribution.ppf(1 - alpha, arms - 1, df))
        return float(ncf.sf(cut, arms - 1, df, n * arms * f**2)) - power

    return _least(lack)


def design_effect(faces_per_unit: float, icc: float) -> float:
    """Return by how much nested faces inflate the variance of a mean, 1 + (m − 1)·ICC.

    References
    ----------
    Kish L (1965). Survey Sampling, section 5.4.

    Examples
    --------
    >>> round(5 / design_effect(5, 0.5), 2)
    1.67
    """
    return 1.0 + (faces_per_unit - 1.0) * icc


def unit_mean_sd(between: float, within: float, faces_per_unit: float) -> float:
    """Return the standard deviation of a unit's mean over its faces.

    Parameters
    ----------
    between, within : float
        Variances between units and between faces of a unit.
    faces_per_unit : float
        Faces averaged.
    """
    return math.sqrt(max(between, 0.0) + within / faces_per_unit)


def upper_sd(sd: float, df: float, *, confidence: float = 0.8) -> float:
    """Return the upper confidence limit of a standard deviation: the cautious one to plan with.

    Parameters
    ----------
    sd : float
        Estimate.
    df : float
        Its degrees of freedom.
    confidence : float
        One-sided.

    References
    ----------
    Browne RH (1995). On the use of a pilot sample for sample size determination. Stat Med
    14:1933-1940.
    """
    from scipy.stats import chi2

    return sd * math.sqrt(df / float(chi2.ppf(1 - confidence, df)))
