"""Equivalence of two arms against a margin: two one-sided tests."""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass(frozen=True)
class Equivalence:
    """Outcome of two one-sided tests.

    Parameters
    ----------
    margin : float
        Largest difference that does not matter, in the response's unit.
    p_lower, p_upper : float
        Against a difference at or below −margin, and at or above +margin.
    p : float
        The larger of the two.
    low, high : float
        The 1 − 2α interval that must lie inside ±margin.
    equivalent : bool
        Whether it does.
    """

    margin: float
    p_lower: float
    p_upper: float
    p: float
    low: float
    high: float
    equivalent: bool


def equivalence(
    estimate: float, se: float, df: float, *, margin: float, alpha: float = 0.05
) -> Equivalence:
    """Return the two one-sided tests of |difference| < margin.

    Parameters
    ----------
    estimate, se, df : float
        A difference, its standard error and degrees of freedom.
    margin : float
        Largest difference that does not matter; greater than 0.
    alpha : float
        Level of each one-sided test.

    References
    ----------
    Schuirmann DJ (1987). A comparison of the two one-sided tests procedure and the power
    approach for assessing the equivalence of average bioavailability. J Pharmacokinet Biopharm
    15:657-680.
    """
    from scipy.stats import t

    if not (se > 0 and math.isfinite(df)):
        return Equivalence(margin, math.nan, math.nan, math.nan, math.nan, math.nan, False)
    p_lower = float(t.sf((estimate + margin) / se, df))
    p_upper = float(t.cdf((estimate - margin) / se, df))
    half = float(t.ppf(1 - alpha, df)) * se
    low, high = estimate - half, estimate + half
    return Equivalence(margin, p_lower, p_upper, max(p_lower, p_upper), low, high,
                       -margin < low and high < margin)
