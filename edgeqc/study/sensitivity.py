"""The comparison made other ways: with faces in review, weighted by their uncertainty, ..."""

from __future__ import annotations

import math

import numpy as np

from edgeqc.quantity import FloatArray
from edgeqc.study.arm_tests import TestResult, welch_anova
from edgeqc.study.effects import Fitted, arm_contrasts, dummies_of, fit_arms, mixed_test
from edgeqc.study.fractions import beta_arms_test, logit_means
from edgeqc.study.mixed import fit_mixed
from edgeqc.study.numbers_in_words import counted, decimals_for, number, p_value
from edgeqc.study.responses import FaceValues
from edgeqc.study.results import Sensitivity


def sensitivities(
    values: FaceValues, fitted: Fitted, headline: TestResult, blocks: dict[str, FloatArray]
) -> tuple[Sensitivity, ...]:
    """Return the other ways that apply to a response.

    Parameters
    ----------
    values : FaceValues
        All faces of the response, in review or not.
    fitted : Fitted
        Fits without the faces in review.
    headline : TestResult
        The test that counts.
    blocks : dict of str to float array
        Unit -> block columns.
    """
    found = [_with_review(values, fitted, headline), _weighted(fitted)]
    if fitted.values.response.kind == "fraction":
        found.extend(_other_scales(fitted, headline))
    return tuple(one for one in found if one is not None)


def _with_review(
    values: FaceValues, fitted: Fitted, headline: TestResult
) -> Sensitivity:
    """Return the comparison with faces in review and rejected."""
    name = "faces in review and rejected taken in"
    inside = np.isin(values.arm, fitted.arms)
    extra = int(np.sum(inside & ~values.taking_part))
    if extra == 0:
        none = TestResult(name, math.nan, math.nan, math.nan, math.nan)
        return Sensitivity(name, none, 0.0, "No face in review or rejected has this value.")
    everything = values.of(inside)
    everything = FaceValues(
        everything.response, everything.value, everything.u, everything.unit,
        everything.fragment, everything.arm, np.ones(everything.value.size, bool), 0)
    refit = fit_arms(everything, list(fitted.arms), {})
    test = welch_anova(refit.means)
    if not math.isfinite(test.p):
        test = mixed_test(refit) or test
    shift = _largest_shift(refit.means.mean, fitted.means.mean)
    return Sensitivity(name, test, shift, (
        f"With the {counted(extra, 'face')} in review or rejected taken in, no difference between"
        f" settings moves by more than {_moved(shift, fitted)}, and"
        f" {p_value(headline.p)} becomes {p_value(test.p)}."))


def _weighted(fitted: Fitted) -> Sensitivity | None:
    """Return the comparison weighted by each face's measurement uncertainty."""
    name = "faces weighted by their measurement uncertainty"
    u = fitted.values.u
    plain = mixed_test(fitted)
    if fitted.mixed is None or plain is None:
        return None
    known = np.isfinite(u) & (u > 0)
    if not np.any(known):
        none = TestResult(name, math.nan, math.nan, math.nan, math.nan)
        return Sensitivity(name, none, math.nan,
                           "The faces state no standard uncertainty for this response.")
    variance = np.where(known, u, np.median(u[known])) ** 2
    total = max(fitted.mixed.between, 0.0) + fitted.mixed.within
    share = float(np.mean(variance)) / total
    index = np.searchsorted(fitted.units.unit, fitted.values.unit)
    X = dummies_of(fitted.values.arm, list(fitted.arms))
    if fitted.adjusted:
        X = np.column_stack([X, fitted.blocks[index]])
    fit = fit_mixed(fitted.values.value, X, index, known_variance=variance, bounded=False)
    found = fit.contrast(arm_contrasts(len(fitted.arms), X.shape[1]))
    test = TestResult(name, found.statistic, found.df_num, found.df_den, found.p,
                      "" if fit.converged else "the fit did not settle")
    k = len(fitted.arms)
    shift = _largest_shift(fit.beta[:k], fitted.mixed.beta[:k])
    if share > 1:
        # such a part would fit only with less than no scatter: the weights would mean nothing
        test = TestResult(name, math.nan, math.nan, math.nan, math.nan)
        sentence = (
            f"The stated measurement uncertainty is {math.sqrt(share):.1f} times the scatter of"
            " faces seen: it is shared by the faces (as that of a pixel size is) or stated too"
            " wide. It cannot serve as weight; a shared part shifts all settings alike and leaves"
            " their differences.")
    elif not fit.converged:
        sentence = "Weighting faces by their measurement uncertainty did not settle."
    else:
        sentence = (
            f"The stated measurement uncertainty amounts to {100 * share:.0f} % of the variance of"
            f" a face; weighting faces by it moves no difference by more than"
            f" {_moved(shift, fitted)} and changes {p_value(plain.p)} of the mixed"
            f" model to {p_value(test.p)}.")
    return Sensitivity(name, test, shift, sentence)


def _other_scales(fitted: Fitted, headline: TestResult) -> list[Sensitivity]:
    """Return the comparison of fractions by beta regression and on the logit scale."""
    place = np.searchsorted(fitted.arms, fitted.units.arm)
    X = dummies_of(place, list(range(len(fitted.arms))))
    found = []
    beta = beta_arms_test(fitted.units.mean, X)
    words = (f"Beta regression on unit means gives {p_value(beta.p)} beside"
             f" {p_value(headline.p)}." if math.isfinite(beta.p) else beta.note)
    found.append(Sensitivity("beta regression on unit means", beta, math.nan, words))
    logit = logit_means(fitted.means)
    name = "means compared on the logit scale"
    if np.all(np.isfinite(logit.mean)) and np.all(logit.variance > 0):
        test = welch_anova(logit)
        test = TestResult(name, test.statistic, test.df_num, test.df_den, test.p)
        words = f"On the logit scale, which treats 0 and 1 as ends, {p_value(test.p)}."
    else:
        test = TestResult(name, math.nan, math.nan, math.nan, math.nan)
        words = ("A setting whose units are all at 0 or 1 (or all equal) has no place on the logit"
                 " scale; the permutation of units covers it.")
    found.append(Sensitivity(name, test, math.nan, words))
    return found


def _largest_shift(new: FloatArray, old: FloatArray) -> float:
    """Return the largest change of a difference between two arms."""
    change = new - old
    return float(change.max() - change.min())


def _moved(shift: float, fitted: Fitted) -> str:
    """Return a shift with two significant digits and its unit."""
    unit = fitted.values.response.unit
    text = number(shift, decimals_for(shift)) if shift > 1e-9 else "0"
    return text if unit in ("", "1") else f"{text} {unit}"
