"""What the study's page and PDF say, in order: answer, evidence, method, small print."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from edgeqc.study.arm_tests import TestResult
from edgeqc.study.curve_figures import dose_figure, interaction_figure, residual_figure
from edgeqc.study.design import Design, words_of
from edgeqc.study.figures import design_figure, differences_figure, units_figure
from edgeqc.study.numbers_in_words import decimals_for, interval, number, p_value
from edgeqc.study.results import Comparison, ResponseResult
from edgeqc.study.wording import largest_pair, places_for, unit_of

MAX_ROWS = 40
"""Rows of a table printed in the report; the CSV tables hold all."""


@dataclass(frozen=True)
class Figure:
    """A figure of the report.

    Parameters
    ----------
    name : str
        File name without ending.
    svg : str
        The drawing.
    caption : str
        What it shows.
    """

    name: str
    svg: str
    caption: str

    @property
    def width_mm(self) -> float:
        """Width on the printed page: its drawn size at 0.24 mm a point, less if it is tall."""
        size = re.match(r'.*?viewBox="0 0 ([\d.]+) ([\d.]+)"', self.svg, re.DOTALL)
        width, height = (float(size[1]), float(size[2])) if size else (720.0, 360.0)
        return round(min(174.0, 0.24 * width, 215.0 * width / height), 1)


def slug(result: ResponseResult, design: Design) -> str:
    """Return a response's name as part of a file name, with the material where several are."""
    words = [result.response.name]
    if len(design.materials) > 1:
        # the number keeps names apart that differ only in letters a file name cannot hold
        words += [str(design.materials.index(result.material) + 1), result.material]
    return re.sub(r"[^a-z0-9]+", "_", "_".join(words).lower()).strip("_")


def study_content(
    comparison: Comparison, provenance: Mapping[str, Any]
) -> tuple[dict[str, Any], list[Figure]]:
    """Return the report's content as plain values, and its figures.

    Parameters
    ----------
    comparison : Comparison
        The study.
    provenance : mapping
        Where the numbers come from, label -> text.
    """
    figures: list[Figure] = []
    design = comparison.design
    if design.arms:
        figures.append(Figure("design", design_figure(design),
                              "The design: units in each setting, and faces in small."))
    several = len(design.materials) > 1
    sections = []
    primary = comparison.settings.responses.primary
    ordered = sorted(comparison.results, key=lambda result: result.response.name != primary)
    for result in ordered:
        drawn = _figures_of(result, comparison)
        figures.extend(drawn)
        sections.append(_section(result, drawn, several))
    content = {
        "title": "Comparison of settings",
        "answer": comparison.answer,
        "conclusive": comparison.conclusive,
        "design": comparison.design_words,
        "design_figure": figures[0].name if design.arms else "",
        "design_caption": figures[0].caption if design.arms else "",
        "design_width_mm": figures[0].width_mm if design.arms else 0,
        "overview": _overview(ordered, several),
        "interactions": [one.sentence for one in comparison.interactions],
        "sections": sections,
        "proposal": comparison.proposal,
        "methods": comparison.methods,
        "cautions": list(comparison.cautions),
        "provenance": [[str(key), str(value)] for key, value in provenance.items()],
    }
    return content, figures


def _title(result: ResponseResult, several: bool) -> str:
    words = result.response.label
    words = f"{words[:1].upper()}{words[1:]}"
    return f"{words}, {result.material}" if several and result.material else words


def _figures_of(result: ResponseResult, comparison: Comparison) -> list[Figure]:
    """Return a response's figures."""
    design = comparison.design
    name = slug(result, design)
    found = [Figure(f"{name}_units", units_figure(result), (
        "Every unit as a dot (mean over its faces); below it the mean of the setting with its"
        " 95 % interval. A ring marks a unit far from the others; none was dropped."))]
    if any(math.isfinite(pair.estimate) for pair in result.pairs):
        found.append(Figure(f"{name}_differences", differences_figure(result), (
            "Pairs of settings with the 95 % interval of each single comparison; p-values allow"
            " for all pairs.")))
    if result.dose is not None:
        curve = result.dose.curve
        found.append(Figure(f"{name}_dose", dose_figure(result, design, result.dose),
                            f"{curve.note[:1].upper()}{curve.note[1:]}; dots are units."))
    if any(effect.levels for effect in result.factors):
        found.append(Figure(f"{name}_factors", interaction_figure(result, design),
                            "Means of the settings with 95 % intervals; lines that are not"
                            " parallel speak for an interaction."))
    if result.overall is not None and any(unit.residual != 0 for unit in result.units):
        found.append(Figure(f"{name}_residuals", residual_figure(result), (
            "Left: units minus the mean of their setting. Right: the same in order against"
            " normal quantiles; dots near the line speak for a normal distribution.")))
    return found


def _overview(results: list[ResponseResult], several: bool) -> dict[str, Any]:
    """Return the table of all responses."""
    rows = []
    for result in results:
        pair = largest_pair(result)
        naive = result.nesting.naive.p if result.nesting is not None else math.nan
        if result.overall is None or pair is None:
            rows.append([_title(result, several), "–", "not tested", "–", "–"])
            continue
        ratio = pair.scale == "ratio"
        places = 2 if ratio else places_for(result)
        kind = "ratio " if ratio else ""
        rows.append([
            _title(result, several),
            f"{kind}{number(pair.estimate, places)}{'' if ratio else unit_of(result)}"
            f" ({interval(pair.low, pair.high, places)})",
            _joined(p_value(result.overall.p)), _joined(p_value(result.p_holm)),
            _joined(p_value(naive))])
    return {"header": ["Response", "Largest difference (95 % CI)", "Overall",
                       "Over all responses", "If faces were independent (wrong)"], "rows": rows}


def _section(result: ResponseResult, figures: list[Figure], several: bool) -> dict[str, Any]:
    """Return what is said of one response."""
    tests = [] if result.overall is None else [
        _test_row(result.overall, "counts"), *(_test_row(test, "") for test in result.tests)]
    if result.nesting is not None:
        tests.append(_test_row(result.nesting.naive, "wrong: faces taken as independent"))
    return {
        "title": _title(result, several),
        "sentence": result.sentence,
        "figures": [{"name": figure.name, "caption": figure.caption,
                     "width_mm": figure.width_mm} for figure in figures],
        "nesting": result.nesting.sentence if result.nesting is not None else "",
        "components": _components(result),
        "dose": result.dose.sentence if result.dose is not None else "",
        "dose_note": result.dose_note,
        "tests": {"header": ["Test", "Statistic", "Degrees of freedom", "p", "Remark"],
                  "rows": tests},
        "pairs": _pairs(result),
        "factors": _factors(result),
        "surface": _surface(result),
        "checks": list(result.checks),
        "sensitivities": [one.sentence for one in result.sensitivities],
        "plan": _plan(result),
    }


def _joined(words: str) -> str:
    """Return words that a narrow column does not break."""
    return words.replace(" ", "\u00a0")


def _bare(p: float) -> str:
    """Return a p-value without its letter."""
    return _joined(p_value(p).removeprefix("p = ").removeprefix("p "))


def _test_row(test: TestResult, role: str) -> list[str]:
    df = number(test.df_num, 0)
    if math.isfinite(test.df_den):
        df += f", {number(test.df_den, 0 if test.df_den == round(test.df_den) else 1)}"
    remark = "; ".join(part for part in (
        "the test that counts" if role == "counts" else role, test.note) if part)
    return [test.name[:1].upper() + test.name[1:], number(test.statistic, 2), df,
            _bare(test.p), remark]


def _pairs(result: ResponseResult) -> dict[str, Any]:
    labels = {arm.arm: arm.label for arm in result.arms}
    rows = []
    for pair in result.pairs[:MAX_ROWS]:
        places = 2 if pair.scale == "ratio" else places_for(result)
        same = pair.equivalence
        joint = " over " if pair.scale == "ratio" else " minus "
        rows.append([
            f"{labels[pair.second]}{joint}{labels[pair.first]}",
            f"{number(pair.estimate, places)} ({interval(pair.low, pair.high, places)})",
            f"{number(pair.g, 2)} ({interval(pair.g_low, pair.g_high, 1)})",
            _bare(pair.p), _bare(pair.p_family),
            "–" if same is None or math.isnan(same.p) else
            f"{'yes' if same.equivalent else 'not shown'} ({p_value(same.p)})"])
    margin = next((pair.equivalence.margin for pair in result.pairs if pair.equivalence), math.nan)
    same_head = f"Within ±{margin:g}{unit_of(result)}" if math.isfinite(margin) else "Equivalence"
    return {"header": ["Pair", f"Estimate{unit_of(result)} (95 % CI)", "Hedges g (95 % CI)", "p",
                       "p over pairs", same_head], "rows": rows}


def _components(result: ResponseResult) -> str:
    """Return nested variances in words."""
    if result.nesting is None or not result.nesting.components:
        return ""
    total = sum(result.nesting.components.values())
    parts = [f"{name} {100 * value / total:.0f} %" if total > 0 else name
             for name, value in result.nesting.components.items()]
    return f"Share of the variance within settings by level: {', '.join(parts)}."


def _factors(result: ResponseResult) -> dict[str, Any]:
    places = places_for(result)
    rows = []
    for effect in result.factors:
        test = effect.test
        name = " × ".join(words_of(part)[0] for part in effect.name.split(" × "))
        means = "; ".join(
            f"{level}: {number(mean, places)} ({interval(low, high, places)})"
            for level, mean, low, high in zip(effect.levels, effect.mean, effect.low,
                                              effect.high, strict=True))
        rows.append([name if effect.levels else f"{name} (interaction)", means or "–",
                     f"F({test.df_num:g}, {number(test.df_den, 1)}) = {number(test.statistic, 2)}",
                     _joined(p_value(test.p))])
    return {"header": ["Factor", "Adjusted means (95 % CI)", "Test", "p"], "rows": rows}


def _surface(result: ResponseResult) -> dict[str, Any]:
    rows = []
    if result.surface is not None:
        fit = result.surface
        for i, term in enumerate(fit.names):
            places = decimals_for(float(fit.se[i])) if fit.se[i] > 0 else 3
            rows.append([term, number(float(fit.beta[i]), places),
                         number(float(fit.se[i]), places)])
        rows.append(["residual standard deviation", number(fit.residual_sd, 4),
                     f"{fit.df} degrees of freedom"])
    return {"header": ["Term (factors coded −1 to +1 over their range)", "Coefficient",
                       "Standard error"], "rows": rows}


def _plan(result: ResponseResult) -> dict[str, Any]:
    """Return the table of units per setting, a row per difference and number of faces."""
    powers = sorted({row.power for row in result.plan})
    rows: dict[tuple[str, str], dict[float, str]] = {}
    for row in result.plan:
        places = decimals_for(row.difference)
        what = f"{number(row.difference, places)}{unit_of(result)}, {row.origin}"
        units, cautious = (f"{value:g}" if math.isfinite(value) else "out of reach"
                           for value in (row.units, row.units_cautious))
        rows.setdefault((what, str(row.faces_per_unit)), {})[row.power] = f"{units} ({cautious})"
    return {"header": ["Difference to find", "Faces per unit", *(
        f"Units per setting at {100 * power:g} % power (cautious)" for power in powers)],
        "rows": [[*key, *(cells.get(power, "–") for power in powers)]
                 for key, cells in rows.items()]}
