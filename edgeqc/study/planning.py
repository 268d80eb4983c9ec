"""The next experiment: how many units a chosen difference needs, which cells to fill."""

from __future__ import annotations

import math

from edgeqc.study.design import Design
from edgeqc.study.effects import Fitted
from edgeqc.study.numbers_in_words import decimals_for, listed, number, units_word
from edgeqc.study.power import unit_mean_sd, units_per_arm, upper_sd
from edgeqc.study.responses import Response
from edgeqc.study.results import Pair, PlanRow, ResponseResult
from edgeqc.study.study_settings import StudySettings

_CELLS_SHOWN = 6


def plan_rows(
    fitted: Fitted, pairs: tuple[Pair, ...], settings: StudySettings
) -> tuple[PlanRow, ...]:
    """Return the units per arm for the protocol's difference and for those seen.

    Parameters
    ----------
    fitted : Fitted
        Gives the variances.
    pairs : tuple of Pair
        Differences seen.
    settings : StudySettings
        Power, faces per unit, level.

    Notes
    -----
    Two-sided t test of one pair of arms with equal numbers and one spread. The cautious figure
    plans with the upper 80 % confidence limit of the spread, which a small study hardly knows.
    """
    fit = fitted.mixed
    if fit is None:
        return ()
    wanted: list[tuple[str, float]] = []
    if math.isfinite(fitted.values.response.worthwhile):
        wanted.append(("worthwhile (protocol)", fitted.values.response.worthwhile))
    seen = sorted(abs(pair.estimate) for pair in pairs if pair.scale == "difference")
    if seen and seen[-1] > 0:
        wanted.append(("largest seen", seen[-1]))
    if len(seen) > 1 and seen[len(seen) // 2] > 0:
        wanted.append(("median seen", seen[len(seen) // 2]))
    df = float(fitted.units.unit.size - len(fitted.arms))
    numbers = settings.planning.faces_per_unit if fit.separable else (1,)
    rows = []
    for origin, difference in wanted:
        for faces in numbers:
            sd = unit_mean_sd(fit.between, fit.within, faces)
            for power in settings.planning.power:
                plain, cautious = (
                    _rounded(difference / spread, power, settings)
                    for spread in (sd, upper_sd(sd, df)))
                rows.append(PlanRow(difference, origin, faces, power, plain, cautious))
    return tuple(rows)


def _rounded(effect: float, power: float, settings: StudySettings) -> float:
    """Return whole units per arm, at least the least number that is tested at all."""
    if effect > 1e3:
        needed = 2.0
    else:
        needed = units_per_arm(effect, power=power, alpha=settings.model.alpha)
    # a solution that misses a whole number by rounding noise must not cost a unit
    whole = float(math.ceil(needed - 1e-9)) if math.isfinite(needed) else math.inf
    whole = max(whole, float(settings.design.min_units_per_arm))
    return whole if whole <= settings.planning.max_units_per_arm else math.inf


def proposal(
    design: Design, primary: ResponseResult | None, settings: StudySettings
) -> str:
    """Return the next experiment in words.

    Parameters
    ----------
    design : Design
        Cells filled and missing.
    primary : ResponseResult, optional
        Result of the response that decides.
    settings : StudySettings
        Least number of units, power.
    """
    parts = []
    thin = [arm for arm in design.arms if not arm.tested]
    least = settings.design.min_units_per_arm
    if thin:
        shown = [f"{arm.label}{_of(arm.material)} (has {arm.units})" for arm in thin]
        parts.append(f"Bring these settings to at least {units_word(design.unit, least)} each:"
                     f" {_some(shown)}.")
    if design.missing:
        parts.append(f"Fill the missing cells: {_some(list(design.missing))}.")
    bound = [factor for factor in design.factors if not factor.separable]
    if bound:
        names = listed([factor.label for factor in bound])
        parts.append(f"To tell {names} apart, add settings in which one of them changes while the"
                     " others stay.")
    for block in design.blocks:
        if block.relation == "confounded":
            parts.append(f"Cut every setting at each level of {block.name.replace('_', ' ')}.")
    if primary is not None and primary.plan:
        parts.append(_sizes(primary, design, settings))
    if not parts:
        parts.append(f"Any comparison needs two settings of one material with at least"
                     f" {units_word(design.unit, least)} each.")
    return " ".join(parts)


def _of(material: str) -> str:
    return f" in {material}" if material else ""


def _some(words: list[str]) -> str:
    if len(words) <= _CELLS_SHOWN:
        return listed(words)
    return f"{', '.join(words[:_CELLS_SHOWN])} and {len(words) - _CELLS_SHOWN} more"


def _sizes(result: ResponseResult, design: Design, settings: StudySettings) -> str:
    """Return how many units the protocol's difference needs."""
    first = result.plan[0]
    rows = [row for row in result.plan if row.origin == first.origin]
    usual = _nearest_faces(result, [row.faces_per_unit for row in rows])
    rows = [row for row in rows if row.faces_per_unit == usual]
    response: Response = result.response
    unit = "" if response.unit in ("", "1") else f" {response.unit}"
    figures = [
        f"{_units(row.units, design.unit, settings)} per setting at {100 * row.power:g} % power"
        f" ({_cautious(row.units_cautious, settings)} to be cautious)" for row in rows]
    places = max(decimals_for(first.difference), 2 if response.unit == "1" else 0)
    return (f"To find a difference of {number(first.difference, places)}{unit} in"
            f" {response.label} with {usual} face{'s' if usual > 1 else ''} per {design.unit}:"
            f" {listed(figures)}.")


def _nearest_faces(result: ResponseResult, numbers: list[int]) -> int:
    seen = result.nesting.faces_per_unit if result.nesting is not None else 1.0
    return int(min(set(numbers), key=lambda count: (abs(count - seen), count)))


def _units(units: float, unit: str, settings: StudySettings) -> str:
    if math.isfinite(units):
        return units_word(unit, int(units))
    return f"more than {units_word(unit, settings.planning.max_units_per_arm)}"


def _cautious(units: float, settings: StudySettings) -> str:
    if math.isfinite(units):
        return str(int(units))
    return f"more than {settings.planning.max_units_per_arm}"
