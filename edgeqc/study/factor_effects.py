"""Effects of single factors, their interaction, response surface and dose-response."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from edgeqc.quantity import FloatArray
from edgeqc.study.arm_tests import TestResult
from edgeqc.study.design import Arm, Design, Factor, shown, words_of
from edgeqc.study.design_relations import separated_factors
from edgeqc.study.dose_response import TargetDose, dose_for, dose_response
from edgeqc.study.effects import Fitted
from edgeqc.study.mixed import fit_mixed
from edgeqc.study.numbers_in_words import decimals_for, number, p_value
from edgeqc.study.regression import (
    LeastSquares,
    coded,
    factorial_design,
    least_squares,
    surface_design,
)
from edgeqc.study.responses import Response
from edgeqc.study.results import DoseStudy, FactorEffect
from edgeqc.study.study_settings import StudySettings

_SURFACE_TERMS = 6
"""Terms of the second-order surface of two factors; it needs more distinct settings than that
less one."""


def factor_effects(
    fitted: Fitted, design: Design, alpha: float
) -> tuple[FactorEffect, ...]:
    """Return the test of each factor that stands apart, and of their interaction.

    Parameters
    ----------
    fitted : Fitted
        Fits of a response.
    design : Design
        Settings.
    alpha : float
        1 − confidence of the levels' means.

    Notes
    -----
    Additive mixed model with one spread; a level's mean is taken over the other factors' levels
    with equal weights. The interaction is what the arms' means hold beyond the additive model.
    """
    arms = [design.arms[arm] for arm in fitted.arms]
    factors = [factor for factor in separated_factors(arms, list(arms[0].levels))
               if factor.separable and factor.name != "material"]
    if len(factors) < 2 or fitted.mixed is None:
        return ()
    columns, spans = _additive(arms, factors)
    place = np.searchsorted(fitted.arms, fitted.values.arm)
    index = np.searchsorted(fitted.units.unit, fitted.values.unit)
    X = np.column_stack([columns[place], fitted.blocks[index]])
    fit = fit_mixed(fitted.values.value, X, index, bounded=False)
    effects = []
    for factor, span in zip(factors, spans, strict=True):
        rows = np.zeros((len(factor.levels) - 1, X.shape[1]))
        rows[np.arange(len(rows)), np.arange(span, span + len(rows))] = 1.0
        found = fit.contrast(rows)
        test = TestResult("mixed model, additive", found.statistic, found.df_num, found.df_den,
                          found.p)
        means, lows, highs = [], [], []
        for level in range(len(factor.levels)):
            row = np.zeros(X.shape[1])
            row[0] = 1.0
            row[columns.shape[1]:] = X[:, columns.shape[1]:].mean(axis=0)
            for other, start in zip(factors, spans, strict=True):
                count = len(other.levels)
                if other is factor:
                    row[start : start + count - 1] = np.arange(1, count) == level
                else:
                    row[start : start + count - 1] = 1.0 / count
            one = fit.contrast(row)
            low, high = one.interval(1 - alpha)
            means.append(float(one.estimate[0]))
            lows.append(low)
            highs.append(high)
        effects.append(FactorEffect(factor.name, test, tuple(
            f"{shown(level)} {factor.unit}".strip() for level in factor.levels),
            tuple(means), tuple(lows), tuple(highs)))
    interaction = _interaction(fitted, columns)
    if interaction is not None:
        name = " × ".join(factor.name for factor in factors)
        effects.append(FactorEffect(name, interaction))
    return tuple(effects)


def _additive(arms: list[Arm], factors: list[Factor]) -> tuple[FloatArray, list[int]]:
    """Return the additive design, a row per arm, and where each factor's columns start."""
    parts, spans, width = [np.ones((len(arms), 1))], [], 1
    for factor in factors:
        cells = [arm.levels[factor.name] for arm in arms]
        coding = np.array([[float(cell == level) for level in factor.levels[1:]]
                           for cell in cells])
        parts.append(coding)
        spans.append(width)
        width += coding.shape[1]
    return np.column_stack(parts), spans


def _interaction(fitted: Fitted, additive: FloatArray) -> TestResult | None:
    """Return the test of what the arms' means hold beyond the additive model."""
    rank = int(np.linalg.matrix_rank(additive))
    extra = additive.shape[0] - rank
    if extra < 1 or fitted.mixed is None:
        return None
    left, _, _ = np.linalg.svd(additive)
    rows = np.zeros((extra, fitted.mixed.beta.size))
    rows[:, : additive.shape[0]] = left[:, rank:].T
    found = fitted.mixed.contrast(rows)
    return TestResult("mixed model, beyond additive", found.statistic, found.df_num,
                      found.df_den, found.p)


def response_surface(fitted: Fitted, design: Design) -> LeastSquares | None:
    """Return unit means on coded numeric factors: interactions, squares where levels allow.

    Parameters
    ----------
    fitted : Fitted
        Fits of a response.
    design : Design
        Settings.

    Notes
    -----
    Factors are coded −1 to +1 over their range. Squares need three levels of each factor and
    more settings than terms.
    """
    arms = [design.arms[arm] for arm in fitted.arms]
    factors = [factor for factor in separated_factors(arms, list(arms[0].levels))
               if factor.separable and factor.numeric]
    if not 2 <= len(factors) <= 3:
        return None
    place = np.searchsorted(fitted.arms, fitted.units.arm)
    values = [np.array([float(arm.levels[factor.name]) for arm in arms])[place]
              for factor in factors]
    scaled = [coded(value) for value in values]
    names = [factor.label for factor in factors]
    for make in (surface_design, factorial_design):
        X, terms = make(scaled, names)
        if X.shape[1] <= len(arms) and X.shape[0] > X.shape[1] and (
                np.linalg.matrix_rank(X) == X.shape[1]):
            return least_squares(fitted.units.mean, X, terms)
    return None


def dose_study(
    fitted: Fitted, design: Design, settings: StudySettings
) -> tuple[DoseStudy | None, str]:
    """Return the dose-response of a response where it has one, and words where it has none.

    Parameters
    ----------
    fitted : Fitted
        Fits of a response.
    design : Design
        Settings and their areal dose.
    settings : StudySettings
        Level and target.
    """
    arms = [design.arms[arm] for arm in fitted.arms]
    name, doses = _doses(arms)
    if not name:
        return None, ""
    place = np.searchsorted(fitted.arms, fitted.units.arm)
    response = fitted.values.response
    if response.better not in ("higher", "lower") or response.kind not in ("fraction", "length"):
        return None, ""
    deep = response.kind == "fraction" and response.better == "higher"
    dose, value = doses[place], fitted.units.mean
    if float(np.ptp(value)) == 0:
        return None, ""
    label, unit = words_of(name)
    curve = dose_response(dose, value, saturating=deep, alpha=settings.model.alpha,
                          rising=True if deep else None, group=place.astype(float))
    if curve.kind == "monotone" and curve.lack_of_fit_p < settings.model.alpha:
        return None, (f"{label[:1].upper()}{label[1:]} alone does not order the settings in"
                      f" {response.label} (lack of fit of any monotone curve"
                      f" {p_value(curve.lack_of_fit_p)}); no dose-response is given.")
    if response.kind == "fraction":
        curve = replace(curve, low=np.clip(curve.low, 0, 1), high=np.clip(curve.high, 0, 1))
    target = dose_for(curve, response.target) if math.isfinite(response.target) else None
    words = _dose_words(response, label, unit, target, settings.model.alpha)
    return DoseStudy(name, unit, curve, target, words), ""


def _doses(arms: list[Arm]) -> tuple[str, FloatArray]:
    """Return the quantity that serves as dose, and its value for each arm."""
    dose = np.array([arm.dose for arm in arms])
    if np.all(np.isfinite(dose)) and np.unique(np.round(dose, 9)).size >= 3:
        return "areal_dose_j_cm2", np.round(dose, 9)
    for name in arms[0].levels:
        cells = [arm.levels[name] for arm in arms]
        if all(isinstance(cell, float) and cell > 0 for cell in cells) and len(set(cells)) >= 3:
            return name, np.array([float(cell) for cell in cells])
    return "", dose


def _dose_words(
    response: Response, label: str, unit: str, target: TargetDose | None, alpha: float
) -> str:
    """Return what the curve says of the target."""
    if target is None:
        return ""
    wanted = f"{response.label} of {target.target:g}"
    level = f"{100 * (1 - alpha):g} %"
    ends = [end for end in (target.low, target.high) if math.isfinite(end)]
    if not math.isfinite(target.dose):
        words = f"The curve does not reach a {wanted} within the doses tried."
        if ends:
            words += f" Its {level} band reaches it at {number(ends[0], 1)} {unit}."
        return words
    places = decimals_for(abs(target.high - target.low) if len(ends) == 2 else target.dose)
    words = f"A {wanted} is predicted at {number(target.dose, places)} {unit} of {label}"
    if len(ends) == 2:
        return words + (f" ({level} interval {number(target.low, places)} to"
                        f" {number(target.high, places)}).")
    if math.isfinite(target.low):
        return words + (f" ({level} interval from {number(target.low, places)} upwards; its upper"
                        " end lies beyond the doses tried).")
    if math.isfinite(target.high):
        return words + (f" ({level} interval up to {number(target.high, places)}; its lower end"
                        " lies below the doses tried).")
    return words + f" (no {level} interval within the doses tried)."


