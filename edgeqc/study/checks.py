"""Assumptions of a comparison, each in a plain sentence, and what nesting does."""

from __future__ import annotations

import math

import numpy as np

from edgeqc.study.arm_tests import classical_anova
from edgeqc.study.design import Design
from edgeqc.study.effects import Fitted, dummies_of
from edgeqc.study.numbers_in_words import counted, listed, p_value, units_word
from edgeqc.study.power import design_effect
from edgeqc.study.results import Nesting, UnitValue
from edgeqc.study.study_settings import StudySettings
from edgeqc.study.variance_components import MAX_VALUES, fit_components

_SHOWN = 6


def nesting_of(fitted: Fitted, design: Design, p: float) -> Nesting:
    """Return what the nesting of faces in units does to a test.

    Parameters
    ----------
    fitted : Fitted
        Fits of a response.
    design : Design
        Says what a unit is.
    p : float
        P-value of the test that counts, to set beside the naive one.
    """
    values = fitted.values
    naive = classical_anova([values.value[values.arm == arm] for arm in fitted.arms])
    faces = float(values.value.size / fitted.units.unit.size)
    fit = fitted.mixed
    if fit is None:
        return Nesting(math.nan, math.nan, math.nan, faces, math.nan, naive, {},
                       "The values do not vary within settings.")
    if not fit.separable:
        return Nesting(math.nan, fit.within, math.nan, faces, 1.0, naive, {},
                       f"Each {design.unit} has one face, so that nothing is counted twice.")
    size = float(np.sum(fitted.units.faces**2) / np.sum(fitted.units.faces))
    effect = design_effect(size, fit.icc)
    units = units_word(design.unit, fitted.units.unit.size)
    worth = values.value.size / effect
    if fit.boundary:
        sentence = (
            f"The variance between {_plural(design.unit)} of one setting came out at zero: faces"
            f" of one {design.unit} differ as much as faces of different ones. The"
            f" {_plural(design.unit)} stay the basis of the test all the same, because a setting"
            f" was given to a {design.unit} as a whole.")
    else:
        sentence = (
            f"Faces of one {design.unit} resemble each other (intra-class correlation"
            f" {fit.icc:.2f}, design effect {effect:.2f}): {values.value.size} faces in {units}"
            f" are worth about {worth:.0f} independent ones.")
    if math.isfinite(naive.p) and math.isfinite(p):
        sentence += (f" Counting every face as independent would have given {p_value(naive.p)}"
                     f" where the {_plural(design.unit)} give {p_value(p)}.")
    return Nesting(max(fit.between, 0.0), fit.within, fit.icc, faces, effect, naive,
                   _components(fitted, design), sentence)


def _plural(unit: str) -> str:
    return "lenses" if unit == "lens" else f"{unit}s"


def _components(fitted: Fitted, design: Design) -> dict[str, float]:
    """Return variances of lens, specimen and face where lenses gave several specimens."""
    values = fitted.values
    inner = np.char.add(np.char.add(values.unit, "\x1f"), values.fragment)
    fragments, lenses = np.unique(inner).size, fitted.units.unit.size
    if fragments == lenses or fragments == values.value.size or values.value.size > MAX_VALUES // 2:
        return {}
    X = dummies_of(values.arm, list(fitted.arms))
    fit = fit_components(values.value, X, {design.unit: values.unit, "specimen": inner})
    if not fit.converged:
        return {}
    return {"face" if name == "residual" else name: value
            for name, value in fit.variances.items()}


def assumption_sentences(
    fitted: Fitted, units: tuple[UnitValue, ...], design: Design, settings: StudySettings
) -> tuple[str, ...]:
    """Return a sentence on each assumption behind the test that counts.

    Parameters
    ----------
    fitted : Fitted
        Fits of a response.
    units : tuple of UnitValue
        With those pointed out that lie far away.
    design : Design
        Says what a unit is.
    settings : StudySettings
        Choice of spread.
    """
    found = [_spread(fitted, settings), _shape(fitted), _settled(fitted)]
    if fitted.values.response.kind == "fraction":
        found.append(_bounds(fitted, design))
    if any(block.adjusted for block in design.blocks) and not fitted.adjusted:
        found.append("Blocks were not adjusted for: too few units have this value.")
    far = [unit.unit for unit in units if unit.outlying]
    if far:
        shown = listed(far[:_SHOWN]) if len(far) <= _SHOWN else ", ".join(far[:_SHOWN]) + ", …"
        verb = "lies" if len(far) == 1 else "lie"
        found.append(f"{units_word(design.unit, len(far))} {verb} far from the others of the same"
                     f" setting ({shown}), ringed in the picture; nothing was dropped.")
    else:
        found.append("No unit lies far from the others of its setting.")
    return tuple(sentence for sentence in found if sentence)


def _spread(fitted: Fitted, settings: StudySettings) -> str:
    """Return a sentence on equal spread."""
    if fitted.flat:
        return ("All units of at least one setting are equal, so that its spread cannot be judged:"
                " the permutation of units is the test that counts, and the intervals take one"
                " spread for all settings.")
    groups = fitted.units.groups(list(fitted.arms))
    sd = np.sqrt([group.var(ddof=1) for group in groups])
    # the Brown-Forsythe test: analysis of variance of the distances from the medians
    p = classical_anova([np.abs(group - np.median(group)) for group in groups]).p
    by_arm = settings.model.spread == "by arm" and not fitted.adjusted
    end = ("each setting's spread is judged by itself, so that equal spread is not needed"
           if by_arm else "the test that counts takes one spread for all settings")
    return (f"Spread between units: the largest standard deviation of a setting is"
            f" {float(sd.max() / sd.min()):.1f} times the smallest (Brown-Forsythe {p_value(p)});"
            f" {end}.")


def _shape(fitted: Fitted) -> str:
    """Return a sentence on normal distribution of unit means."""
    from scipy.stats import shapiro

    groups = fitted.units.groups(list(fitted.arms))
    residual = np.concatenate([
        (group - group.mean()) / math.sqrt(group.var(ddof=1) * (1 - 1 / group.size))
        for group in groups if np.ptp(group) > 0])
    if not 8 <= residual.size <= 5000:
        return ("Shape: too few units to judge a distribution; the permutation of units does not"
                " need one." if residual.size < 8 else "")
    p = float(shapiro(residual).pvalue)
    verdict = "depart from" if p < 0.05 else "show no departure from"
    return (f"Shape: the units' deviations from their setting's mean {verdict} a normal"
            f" distribution (Shapiro-Wilk {p_value(p)}, {residual.size} units; a weak check at"
            " such numbers); the permutation of units does not need one.")


def _settled(fitted: Fitted) -> str:
    """Return a sentence on convergence."""
    if fitted.mixed is None:
        return "The mixed model was not fitted: the values do not vary within settings."
    if not fitted.mixed.converged:
        return ("The mixed model did not settle; its figures are not relied on, and unit means and"
                " permutation stand in.")
    if fitted.mixed.boundary:
        return "The mixed model settled with no variance between units (at its boundary)."
    return "The mixed model settled at variances inside their bounds."


def _bounds(fitted: Fitted, design: Design) -> str:
    """Return a sentence on exact zeros and ones."""
    mean = fitted.units.mean
    zero, one = int(np.sum(mean <= 0)), int(np.sum(mean >= 1))
    if zero + one == 0:
        return "No unit lies at exactly 0 or 1."
    return (f"{counted(zero + one, 'unit')} of {mean.size} lie at exactly 0 or 1 ({zero} at 0,"
            f" {one} at 1); they are kept as they are, and no constant is added to them.")
