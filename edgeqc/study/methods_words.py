"""The methods paragraph of a study, ready to quote."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from edgeqc.study.design import Design
from edgeqc.study.results import ResponseResult
from edgeqc.study.study_settings import StudySettings


def methods_sentences(
    design: Design, results: Sequence[ResponseResult], settings: StudySettings,
    versions: Mapping[str, str],
) -> list[str]:
    """Return the sentences of the methods paragraph: only what was done is said.

    Parameters
    ----------
    design : Design
        As read from the table.
    results : sequence of ResponseResult
        All responses.
    settings : StudySettings
        In force.
    versions : mapping of str to str
        Software behind the numbers.
    """
    unit = design.unit
    plural = "lenses" if unit == "lens" else f"{unit}s"
    tested = [result for result in results if result.overall is not None]
    software = ", ".join(f"{name} {version}" for name, version in versions.items())
    if not tested:
        return [f"No test was made. Software: {software}."]
    alpha = f"{settings.model.alpha:g}"
    level = f"{100 * (1 - settings.model.alpha):g} %"
    parts = [
        f"The {unit} was the unit of analysis; faces were nested in {plural}.",
        f"Settings with fewer than {settings.design.min_units_per_arm} {plural} were not tested.",
        f"Faces not judged {' or '.join(settings.design.verdicts)} were left out and taken in for a"
        " sensitivity analysis; where only the remainder's name was unsure, a face was left out of"
        " the responses that rest on that name.",
        "A linear mixed model with a random intercept for the "
        f"{unit} was fitted by restricted maximum likelihood.",
    ]
    adjusted = [block.name for block in design.blocks if block.adjusted]
    if adjusted or settings.model.spread == "common":
        extra = " and fixed effects for " + ", ".join(
            name.strip("_") for name in adjusted) if adjusted else ""
        parts.append(f"Settings{extra} entered as fixed effects with one spread; tests and"
                     " intervals use the Kenward-Roger correction (Biometrics 1997;53:983-997),"
                     " and p-values of pairs were adjusted after Holm.")
    else:
        parts.append(
            f"Means of settings weigh {plural} as that model does, with the spread of each setting"
            " judged by itself; they were compared by Welch's test (Biometrika 1951;38:330-336),"
            " pairs by the Games-Howell procedure (J Educ Stat 1976;1:113-125). The model with one"
            " spread and the Kenward-Roger correction (Biometrics 1997;53:983-997) stands beside"
            " it.")
    parts.extend(_further(tested, plural, settings))
    parts.append(f"Level {alpha}, {level} intervals, two-sided. Software: {software}.")
    return parts


def _further(
    tested: Sequence[ResponseResult], plural: str, settings: StudySettings
) -> list[str]:
    """Return sentences on what only some studies need."""
    parts = []
    kinds = {result.response.kind for result in tested}
    if "fraction" in kinds:
        parts.append("Fractions were also compared on the logit scale and by beta regression"
                     " (J Appl Stat 2004;31:799-815); intervals of their means come from the logit"
                     " scale.")
    if "count" in kinds:
        parts.append("Counts were compared by a log-linear model with overdispersion between"
                     f" {plural}, faces as exposure.")
    parts.append(f"{settings.model.permutations} random arrangements of whole {plural} (all where"
                 " there are fewer) gave a permutation test of Welch's statistic.")
    if len(tested) > 1:
        parts.append(f"P-values were adjusted over {len(tested)} comparisons after Holm (Scand J"
                     " Stat 1979;6:65-70).")
    if any(pair.equivalence is not None for result in tested for pair in result.pairs):
        parts.append("Equivalence was judged by two one-sided tests against margins fixed"
                     " beforehand (J Pharmacokinet Biopharm 1987;15:657-680).")
    if any(result.dose is not None for result in tested):
        parts.append("Dose-response: a saturating curve through zero, or where it did not fit a"
                     " monotone one; the dose for a target is the set of doses whose band holds"
                     " it.")
    return parts
