"""Effects of the settings on one response within one material."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np

from edgeqc.quantity import FloatArray
from edgeqc.study.arm_tests import (
    ArmMeans,
    Difference,
    TestResult,
    bootstrap_anova,
    classical_anova,
    hedges_g,
    pooled_difference,
    welch_anova,
    welch_difference,
)
from edgeqc.study.counts import CountFit, fit_counts, rate_ratio
from edgeqc.study.design import Design, dummies
from edgeqc.study.equivalence import equivalence
from edgeqc.study.fractions import fraction_interval
from edgeqc.study.mixed import MixedFit, fit_mixed
from edgeqc.study.multiplicity import holm
from edgeqc.study.permutation import permutation_test
from edgeqc.study.responses import FaceValues
from edgeqc.study.results import ArmSummary, Pair, ResponseResult, UnitValue
from edgeqc.study.study_settings import StudySettings
from edgeqc.study.unit_means import UnitMeans, unit_means, weighted_arm_means

MAX_PAIRS = 15
"""Up to so many pairs (six arms) all are compared; beyond, each arm with the best one."""

_BLOCK_DF = 3
"""Units that must be left beyond arms and blocks, or blocks are not adjusted for."""

_BOOTSTRAP_ARMS, _BOOTSTRAP_UNITS = 4, 8
"""With more arms than this and fewer units in one of them, Welch's test rejects 6-9 % at the
5 % level (simulated at 5 to 8 arms); the bootstrap test, 3-5 % there, takes its place."""


@dataclass(frozen=True)
class Fitted:
    """What the parts of an analysis share.

    Parameters
    ----------
    values : FaceValues
        Faces of tested arms that take part.
    units : UnitMeans
        Their units.
    arms : tuple of int
        Tested arms, as indices into the design's arms.
    blocks : (m, b) float array
        Columns of the blocks adjusted for, one row per unit; b = 0 without.
    mixed : MixedFit or None
        With one spread for all arms; None where the values do not vary within arms.
    means : ArmMeans
        Arm means with arm-wise spread.
    """

    values: FaceValues
    units: UnitMeans
    arms: tuple[int, ...]
    blocks: FloatArray
    mixed: MixedFit | None
    means: ArmMeans

    @property
    def adjusted(self) -> bool:
        """Whether blocks are adjusted for."""
        return self.blocks.size > 0

    @property
    def flat(self) -> bool:
        """Whether an arm has no spread."""
        return bool(np.less_equal(self.means.variance, 0).any())


def tested_arms(values: FaceValues, design: Design, least: int) -> list[int]:
    """Return the arms with units enough that have this response."""
    found = []
    for arm in np.unique(values.arm[values.taking_part]):
        inside = values.taking_part & (values.arm == arm)
        if np.unique(values.unit[inside]).size >= least:
            found.append(int(arm))
    return found


def fit_arms(values: FaceValues, arms: list[int], blocks: dict[str, FloatArray]) -> Fitted:
    """Return the fits that the tests, intervals and checks of a response share.

    Parameters
    ----------
    values : FaceValues
        A response; faces of other arms or not taking part are left out.
    arms : list of int
        Tested arms.
    blocks : dict of str to float array
        Unit -> its row of block columns; empty without blocks.
    """
    chosen = values.of(values.taking_part & np.isin(values.arm, arms))
    units = unit_means(chosen)
    rows = np.array([blocks[name] for name in units.unit]) if blocks else (
        np.zeros((units.unit.size, 0)))
    if rows.shape[1]:
        rows = rows[:, np.ptp(rows, axis=0) > 0]
    mixed = None
    place = np.searchsorted(units.unit, chosen.unit)
    X = np.column_stack([dummies_of(chosen.arm, arms), rows[place]])
    if units.unit.size < X.shape[1] + _BLOCK_DF or np.linalg.matrix_rank(X) < X.shape[1]:
        rows = rows[:, :0]
        X = dummies_of(chosen.arm, arms)
    residual = chosen.value - X @ np.linalg.lstsq(X, chosen.value, rcond=None)[0]
    scale = max(1.0, float(np.abs(chosen.value).max()))
    if float(residual.std()) > 1e-10 * scale and units.unit.size > X.shape[1]:
        mixed = fit_mixed(chosen.value, X, place, bounded=False)
    means = weighted_arm_means(units, arms, mixed)
    return Fitted(chosen, units, tuple(arms), rows, mixed, means)


def dummies_of(arm: np.ndarray[tuple[int], np.dtype[np.intp]], arms: list[int]) -> FloatArray:
    """Return a column per arm, 1 where a row belongs to it."""
    return np.asarray(arm[:, None] == np.asarray(arms)[None], dtype=np.float64)


def arm_contrasts(arms: int, columns: int) -> FloatArray:
    """Return the arms' differences from the first as rows over all columns of the design."""
    rows = np.zeros((arms - 1, columns))
    rows[:, 0] = -1.0
    rows[np.arange(arms - 1), np.arange(1, arms)] = 1.0
    return rows


def mixed_test(fitted: Fitted) -> TestResult | None:
    """Return the mixed model's test of equal arms (one spread, Kenward-Roger)."""
    if fitted.mixed is None:
        return None
    found = fitted.mixed.contrast(arm_contrasts(len(fitted.arms), fitted.mixed.beta.size))
    note = "" if fitted.mixed.converged else "the fit did not settle; not to be relied on"
    name = "mixed model, one spread for all arms"
    if fitted.adjusted:
        name += ", adjusted for blocks"
    return TestResult(name, found.statistic, found.df_num, found.df_den, found.p, note)


def all_tests(
    fitted: Fitted, settings: StudySettings, rng: np.random.Generator
) -> tuple[TestResult, tuple[TestResult, ...], CountFit | None]:
    """Return the test that counts, the others, and the count model where there is one.

    Parameters
    ----------
    fitted : Fitted
        Fits of a response.
    settings : StudySettings
        Choice of spread, number of draws.
    rng : numpy.random.Generator
        For permutation and bootstrap.
    """
    groups = fitted.units.groups(list(fitted.arms))
    welch = replace(welch_anova(fitted.means), name="mixed-model means, a spread for each arm")
    mixed = mixed_test(fitted)
    place = np.searchsorted(fitted.arms, fitted.units.arm)
    block = None
    if fitted.adjusted:
        block = np.unique(fitted.blocks, axis=0, return_inverse=True)[1].ravel()
    permuted = permutation_test(fitted.units.mean, place, rng, block=block,
                                draws=settings.model.permutations)
    plain = replace(welch_anova(_plain(fitted)), name="Welch's test on plain unit means")
    others = [mixed, plain, classical_anova(groups), permuted]
    few = float(fitted.means.n.min()) < _BOOTSTRAP_UNITS and len(groups) > _BOOTSTRAP_ARMS
    if few:
        boot = bootstrap_anova(fitted.means, rng, draws=settings.model.bootstrap_draws)
        others.insert(0, boot)
    headline = welch
    counts = None
    if fitted.values.response.kind == "count":
        counts = fit_counts(fitted.units.mean * fitted.units.faces, fitted.units.faces, place)
        headline = counts.test
        others.insert(0, welch)
    elif mixed is not None and (fitted.adjusted or settings.model.spread == "common"):
        headline = mixed
        others = [welch, *others[1:]]
    elif few:
        headline = others[0] or welch
        others[0] = welch
    if not math.isfinite(headline.p):
        others.insert(0, headline)
        headline = permuted
        others.remove(permuted)
    return headline, tuple(test for test in others if test is not None), counts


def _plain(fitted: Fitted) -> ArmMeans:
    """Return arm means over units with equal weights."""
    return weighted_arm_means(fitted.units, list(fitted.arms), None)


def chosen_pairs(fitted: Fitted) -> list[tuple[int, int]]:
    """Return the pairs of tested arms (positions) that are compared."""
    k = len(fitted.arms)
    if k * (k - 1) // 2 <= MAX_PAIRS:
        return list(combinations(range(k), 2))
    lower = fitted.values.response.better == "lower"
    best = int(np.argmin(fitted.means.mean) if lower else np.argmax(fitted.means.mean))
    return [(min(i, best), max(i, best)) for i in range(k) if i != best]


def all_pairs(
    fitted: Fitted, counts: CountFit | None, settings: StudySettings
) -> tuple[Pair, ...]:
    """Return the comparisons of two arms, with effect sizes and equivalence.

    Parameters
    ----------
    fitted : Fitted
        Fits of a response.
    counts : CountFit, optional
        Then ratios of rates are given instead of differences.
    settings : StudySettings
        Level and margins.
    """
    alpha = settings.model.alpha
    groups = fitted.units.groups(list(fitted.arms))
    by_arm = not fitted.adjusted and settings.model.spread == "by arm"
    pairs = []
    for i, j in chosen_pairs(fitted):
        g, g_low, g_high = hedges_g(groups[i], groups[j])
        first, second = fitted.arms[i], fitted.arms[j]
        if counts is not None:
            ratio, low, high, p = rate_ratio(counts, i, j, confidence=1 - alpha)
            pairs.append(Pair(first, second, "ratio", ratio, low, high, math.nan,
                              float(counts.df), p, p, g, g_low, g_high, None))
            continue
        if by_arm and np.all(fitted.means.variance[[i, j]] > 0):
            found = welch_difference(fitted.means, i, j, family=len(groups),
                                     confidence=1 - alpha)
        elif fitted.mixed is not None and not by_arm:
            found = mixed_difference(fitted.mixed, i, j, alpha)
        else:
            found = pooled_difference(groups, i, j, confidence=1 - alpha)
        margin = fitted.values.response.margin
        same = None
        if math.isfinite(margin):
            same = equivalence(found.estimate, found.se, found.df, margin=margin, alpha=alpha)
        pairs.append(Pair(first, second, "difference", found.estimate, found.low, found.high,
                          found.se, found.df, found.p, found.p_family, g, g_low, g_high, same))
    if counts is None and by_arm:
        return tuple(pairs)
    adjusted = holm(np.array([pair.p for pair in pairs]))
    return tuple(replace(pair, p_family=float(p)) for pair, p in zip(pairs, adjusted, strict=True))


def mixed_difference(fit: MixedFit, i: int, j: int, alpha: float) -> Difference:
    """Return one difference from the mixed model with one spread for all arms.

    Parameters
    ----------
    fit : MixedFit
        Its first fixed effects are the arms' means.
    i, j : int
        Positions of the arms; the difference is second minus first.
    alpha : float
        1 − confidence.
    """
    row = np.zeros(fit.beta.size)
    row[i], row[j] = -1.0, 1.0
    found = fit.contrast(row)
    low, high = found.interval(1 - alpha)
    return Difference(i, j, float(found.estimate[0]), float(found.se[0]), found.df_den, low, high,
                      found.p, found.p)


def summarise_arms(
    values: FaceValues, design: Design, fitted: Fitted | None, alpha: float
) -> tuple[ArmSummary, ...]:
    """Return every arm that has the response, tested or not.

    Parameters
    ----------
    values : FaceValues
        A response.
    design : Design
        Names of the arms.
    fitted : Fitted, optional
        Fits, where a test was made.
    alpha : float
        1 − confidence.
    """
    chosen = values.of(values.taking_part)
    units = unit_means(chosen)
    rows = []
    for arm in np.unique(units.arm):
        inside = units.arm == arm
        y = units.mean[inside]
        tested = fitted is not None and int(arm) in fitted.arms
        mean, low, high = float(y.mean()), math.nan, math.nan
        if fitted is not None and tested:
            k = fitted.arms.index(int(arm))
            mean, low, high = _arm_mean(fitted, k, alpha)
        sd = float(y.std(ddof=1)) if y.size > 1 else math.nan
        rows.append(ArmSummary(int(arm), design.arms[int(arm)].label, int(y.size),
                               int(units.faces[inside].sum()), mean, low, high, sd, tested))
    return tuple(rows)


def _arm_mean(fitted: Fitted, k: int, alpha: float) -> tuple[float, float, float]:
    """Return an arm's mean and interval, adjusted for blocks, inside 0..1 for fractions."""
    from scipy.stats import t

    means, kind = fitted.means, fitted.values.response.kind
    mean, se, df = float(means.mean[k]), math.sqrt(float(means.variance[k])), float(means.df[k])
    if fitted.adjusted and fitted.mixed is not None:
        row = np.zeros(fitted.mixed.beta.size)
        row[k] = 1.0
        row[len(fitted.arms):] = fitted.blocks.mean(axis=0)
        found = fitted.mixed.contrast(row)
        mean, se, df = float(found.estimate[0]), float(found.se[0]), found.df_den
    if se <= 0:
        return mean, math.nan, math.nan
    if kind == "fraction":
        return mean, *fraction_interval(mean, se, df, confidence=1 - alpha)
    half = float(t.ppf(1 - alpha / 2, df)) * se
    return mean, (max(0.0, mean - half) if kind == "count" else mean - half), mean + half


def unit_values(values: FaceValues, distance: float) -> tuple[UnitValue, ...]:
    """Return every unit, with those pointed out that lie far from their arm.

    Parameters
    ----------
    values : FaceValues
        A response.
    distance : float
        Robust distance in standard deviations beyond which a unit is pointed out.

    Notes
    -----
    Distance from the arm's median over 1.4826 times the median absolute deviation of all units
    from their arms' medians.

    References
    ----------
    Iglewicz B, Hoaglin DC (1993). How to Detect and Handle Outliers. ASQC Quality Press.
    """
    units = unit_means(values.of(values.taking_part))
    centre = np.zeros_like(units.mean)
    average = np.zeros_like(units.mean)
    for arm in np.unique(units.arm):
        inside = units.arm == arm
        centre[inside] = np.median(units.mean[inside])
        average[inside] = units.mean[inside].mean()
    away = np.abs(units.mean - centre)
    scale = 1.4826 * float(np.median(away[away > 0])) if np.any(away > 0) else 0.0
    far = away > distance * scale if scale > 0 else np.zeros(away.size, bool)
    order = np.lexsort((units.unit, units.arm))
    return tuple(
        UnitValue(str(units.unit[i]), int(units.arm[i]), float(units.mean[i]),
                  int(units.faces[i]), bool(far[i]), float(units.mean[i] - average[i]))
        for i in order)


def untested(
    values: FaceValues, design: Design, material: str, settings: StudySettings, obstacle: str
) -> ResponseResult:
    """Return a response that is shown and not tested, with the reason."""
    return ResponseResult(
        values.response, material, summarise_arms(values, design, None, settings.model.alpha),
        unit_values(values, settings.model.outlier_distance), values.missing, obstacle=obstacle)


def block_rows(design: Design, levels: dict[str, dict[str, str]]) -> dict[str, FloatArray]:
    """Return each unit's row of block columns, the first level of each block left out.

    Parameters
    ----------
    design : Design
        Says which blocks are adjusted for.
    levels : dict
        Block -> unit -> level.
    """
    used = [block for block in design.blocks if block.adjusted]
    if not used:
        return {}
    units = sorted(levels[used[0].name])
    columns = np.column_stack([
        dummies([levels[block.name][unit] for unit in units])[:, 1:] for block in used])
    return dict(zip(units, columns, strict=True))
