"""Dose and response: a saturating or monotone curve, its band, and the dose for a target."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np

from edgeqc.errors import StudyError
from edgeqc.quantity import FloatArray

_GRID = 101
"""Points at which curve and band are stated."""


@dataclass(frozen=True)
class TargetDose:
    """The dose predicted to reach a chosen response.

    Parameters
    ----------
    target : float
        The response, in its unit.
    dose : float
        Where the curve reaches it; ``nan`` where it does not within the doses tried.
    low, high : float
        Doses between which the band holds the target; ``nan`` for an end that lies outside the
        doses tried (left open).
    """

    target: float
    dose: float
    low: float
    high: float


@dataclass(frozen=True)
class DoseResponse:
    """A curve of response against dose with its confidence band.

    Parameters
    ----------
    kind : {"saturating", "monotone"}
        The curve.
    dose : (m,) float array
        Grid over the doses tried.
    fitted, low, high : (m,) float array
        Mean response on the grid and the ends of its band.
    top, scale : float
        Parameters of the saturating curve, ``nan`` for the monotone one.
    lack_of_fit_p : float
        Test of the saturating curve against the arm means; ``nan`` where it cannot be made.
    confidence : float
        Of the band: pointwise for the saturating curve, over all doses at once for the monotone.
    note : str
        How the curve was chosen.
    """

    kind: Literal["saturating", "monotone"]
    dose: FloatArray
    fitted: FloatArray
    low: FloatArray
    high: FloatArray
    top: float
    scale: float
    lack_of_fit_p: float
    confidence: float
    note: str


def dose_response(
    dose: FloatArray, value: FloatArray, *, saturating: bool = True,
    alpha: float = 0.05, rising: bool | None = None, group: FloatArray | None = None,
) -> DoseResponse:
    """Return the curve of unit means against dose.

    Parameters
    ----------
    dose : (n,) float array
        Dose of each unit, greater than 0, at least three different ones.
    value : (n,) float array
        A value per unit.
    saturating : bool
        Whether the saturating curve through zero is tried first.
    alpha : float
        1 − confidence, and the level at which lack of fit discards the saturating curve.
    rising : bool, optional
        Direction of the monotone curve; from the data where not given.
    group : (n,) array, optional
        Setting of each unit: settings of one dose count apart in the test of lack of fit.

    Notes
    -----
    Saturating: value = top·(1 − exp(−dose/scale)), no cut without a dose, by least squares.
    If its lack of fit is significant, or it cannot be fitted, the monotone curve stands in; its
    own lack of fit, if significant, says that the dose alone does not order the responses.

    References
    ----------
    Bates DM, Watts DG (1988). Nonlinear Regression Analysis, sections 2.3 and 3.10.
    Barlow RE et al. (1972). Statistical Inference under Order Restrictions, chapter 1.
    """
    dose, value = np.asarray(dose, dtype=float), np.asarray(value, dtype=float)
    levels = np.unique(dose)
    if levels.size < 3:
        raise StudyError(
            f"{levels.size} different doses carry no curve", rule="At least three doses.")
    own = dose if group is None else np.asarray(group)
    if saturating and levels[0] > 0 and value.size > 3:
        curve = _saturating(dose, value, own, alpha)
        if curve is not None and not curve.lack_of_fit_p < alpha:
            return curve
        note = (
            "the saturating curve could not be fitted" if curve is None else
            f"the saturating curve does not fit (lack of fit p = {curve.lack_of_fit_p:.2g})")
    else:
        note = "no shape assumed but its direction"
    return _monotone(dose, value, own, (alpha, rising, note))


def _saturating(
    dose: FloatArray, value: FloatArray, own: FloatArray, alpha: float
) -> DoseResponse | None:
    """Fit the saturating curve; None where the data do not determine it."""
    from scipy.optimize import minimize_scalar
    from scipy.stats import t

    levels = np.unique(dose)

    def residual_sum(log_scale: float) -> float:
        shape = -np.expm1(-dose / math.exp(log_scale))
        top = float(shape @ value) / float(shape @ shape)
        return float(np.sum((value - top * shape) ** 2))

    low, high = math.log(levels[0] / 50), math.log(levels[-1] * 50)
    grid = np.linspace(low, high, 200)
    best = int(np.argmin([residual_sum(point) for point in grid]))
    if best in (0, grid.size - 1):
        return None  # a straight line or a constant: the scale is not determined
    found = minimize_scalar(residual_sum, bounds=(grid[best - 1], grid[best + 1]),
                            method="bounded", options={"xatol": 1e-10})
    scale = math.exp(float(found.x))
    shape = -np.expm1(-dose / scale)
    top = float(shape @ value) / float(shape @ shape)
    df = dose.size - 2
    variance = float(found.fun) / df
    jacobian = _jacobian(dose, top, scale)
    cross = jacobian.T @ jacobian
    if np.linalg.cond(cross) > 1e14:
        return None
    covariance = np.linalg.inv(cross) * variance
    points = np.linspace(levels[0], levels[-1], _GRID)
    fitted = -top * np.expm1(-points / scale)
    rows = _jacobian(points, top, scale)
    se = np.sqrt(np.einsum("ij,jk,ik->i", rows, covariance, rows))
    half = float(t.ppf(1 - alpha / 2, df)) * se
    return DoseResponse(
        "saturating", points, fitted, fitted - half, fitted + half, top, scale,
        _lack_of_fit(own, value, float(found.fun), 2), 1 - alpha,
        "saturating curve through zero, pointwise band")


def _jacobian(dose: FloatArray, top: float, scale: float) -> FloatArray:
    """Differentiate the saturating curve by top and log scale."""
    decay = np.exp(-dose / scale)
    return np.stack([1 - decay, -top * decay * dose / scale], axis=1)


def _lack_of_fit(own: FloatArray, value: FloatArray, rss: float, parameters: int) -> float:
    """P-value of the curve against a free mean per setting."""
    from scipy.stats import f

    levels, index = np.unique(own, return_inverse=True)
    df_pure = value.size - levels.size
    df_lack = levels.size - parameters
    if df_pure < 1 or df_lack < 1:
        return math.nan
    means = np.bincount(index, weights=value) / np.bincount(index)
    pure = float(np.sum((value - means[index]) ** 2))
    if pure <= 0:
        return math.nan
    return float(f.sf(max(rss - pure, 0.0) / df_lack / (pure / df_pure), df_lack, df_pure))


def pooled_monotone(value: FloatArray, weight: FloatArray) -> FloatArray:
    """Return the non-decreasing sequence nearest to the values (pool adjacent violators).

    Parameters
    ----------
    value, weight : (m,) float arrays
        Values and positive weights.

    Examples
    --------
    >>> pooled_monotone(np.array([1.0, 3.0, 2.0, 4.0]), np.ones(4)).tolist()
    [1.0, 2.5, 2.5, 4.0]
    """
    blocks: list[tuple[float, float, int]] = []
    for one, share in zip(value, weight, strict=True):
        blocks.append((float(one), float(share), 1))
        while len(blocks) > 1 and blocks[-2][0] > blocks[-1][0]:
            (a, wa, na), (b, wb, nb) = blocks[-2], blocks[-1]
            blocks[-2:] = [((a * wa + b * wb) / (wa + wb), wa + wb, na + nb)]
    return np.concatenate([np.full(count, level) for level, _, count in blocks])


def _monotone(
    dose: FloatArray, value: FloatArray, own: FloatArray, how: tuple[float, bool | None, str],
) -> DoseResponse:
    """Fit the monotone curve, with a band that assumes nothing but the direction."""
    from scipy.stats import t

    alpha, rising, note = how
    levels = np.unique(dose)
    index = np.searchsorted(levels, dose)
    size = np.bincount(index).astype(float)
    means = np.bincount(index, weights=value) / size
    if rising is None:
        rising = float(np.corrcoef(dose, value)[0, 1]) >= 0
    sign = 1.0 if rising else -1.0
    fitted = sign * pooled_monotone(sign * means, size)
    rss = float(np.sum((value - fitted[index]) ** 2))
    lack = _lack_of_fit(own, value, rss, np.unique(fitted).size)
    spread = np.array([value[index == k].var(ddof=1) if size[k] > 1 else math.nan
                       for k in range(levels.size)])
    # a dose whose units are all equal has shown no spread, not none: the others' stands in
    known = spread[np.isfinite(spread) & (spread > 0)]
    if known.size:
        spread[spread == 0] = float(known.mean())
    # simultaneous over the doses (Bonferroni), so that a bound at one dose binds its neighbours
    half = np.array([
        float(t.ppf(1 - alpha / 2 / levels.size, size[k] - 1)) * math.sqrt(spread[k] / size[k])
        if size[k] > 1 else math.inf for k in range(levels.size)])
    low = np.maximum.accumulate(sign * means - half)
    high = np.minimum.accumulate((sign * means + half)[::-1])[::-1]
    points = np.unique(np.concatenate([np.linspace(levels[0], levels[-1], _GRID), levels]))
    left = np.clip(np.searchsorted(levels, points, side="right") - 1, 0, levels.size - 1)
    right = np.clip(np.searchsorted(levels, points, side="left"), 0, levels.size - 1)
    ends = np.stack([sign * low[left], sign * high[right]])
    return DoseResponse(
        "monotone", points, np.interp(points, levels, fitted), ends.min(axis=0),
        ends.max(axis=0), math.nan, math.nan, lack, 1 - alpha,
        f"monotone curve, straight between doses; band holds for all doses at once; {note}")


def dose_for(curve: DoseResponse, target: float) -> TargetDose:
    """Return the dose at which the curve reaches a target, with its interval.

    Parameters
    ----------
    curve : DoseResponse
        From ``dose_response``.
    target : float
        The response wanted.

    Notes
    -----
    The interval is the set of doses whose band holds the target: inverse estimation as in
    calibration. Nothing is extrapolated beyond the doses tried.

    References
    ----------
    Draper NR, Smith H (1998). Applied Regression Analysis, 3rd ed., section 3.2.
    """
    dose = _crossing(curve.dose, curve.fitted, target)
    rising = curve.fitted[-1] >= curve.fitted[0]
    first, last = (curve.high, curve.low) if rising else (curve.low, curve.high)
    low = _crossing(curve.dose, first, target)
    high = _crossing(curve.dose, last, target, latest=True)
    return TargetDose(target, dose, low, high)


def _crossing(
    dose: FloatArray, line: FloatArray, target: float, *, latest: bool = False
) -> float:
    """Dose at which a line crosses the target, nan where it does not."""
    above = line >= target
    change = np.nonzero(above[1:] != above[:-1])[0]
    if change.size == 0:
        return math.nan
    i = int(change[-1] if latest else change[0])
    rise = float(line[i + 1] - line[i])
    return float(dose[i] + (target - line[i]) / rise * (dose[i + 1] - dose[i]))
