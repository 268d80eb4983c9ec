"""Figures of curves: dose-response, residuals, interaction."""

from __future__ import annotations

import math

import numpy as np

from edgeqc.study.chart import (
    ACCENT,
    FAINT,
    INK,
    WARM,
    box,
    dot,
    level_axis,
    line,
    nice_scale,
    path,
    picture,
    text,
    upright_axis,
)
from edgeqc.study.design import Design, shown, words_of
from edgeqc.study.figures import axis_title
from edgeqc.study.results import DoseStudy, ResponseResult

_SIZE = (620.0, 380.0)
_FRAME = (70.0, 40.0, 596.0, 318.0)  # left, top, right, bottom
_DASHES = ("", "7 4", "2 3", "10 3 2 3")


def dose_figure(result: ResponseResult, design: Design, study: DoseStudy) -> str:
    """Return the units against dose with curve, band and the dose for the target.

    Parameters
    ----------
    result : ResponseResult
        A response.
    design : Design
        Gives each arm's dose.
    study : DoseStudy
        Its dose-response.
    """
    left, top, right, bottom = _FRAME
    curve = study.curve
    tested = {arm.arm for arm in result.arms if arm.tested}
    points = [(_dose_of(design, unit.arm, study.factor), unit.mean) for unit in result.units
              if unit.arm in tested]
    finite = [value for value in (*curve.low, *curve.high) if math.isfinite(value)]
    low, high = min(value for _, value in points), max(value for _, value in points)
    # a band that knows nothing between two doses must not flatten the picture
    room = 0.6 * (high - low) or 1.0
    inside = [value for value in finite if low - room <= value <= high + room]
    across, marks = nice_scale(0.0, max(dose for dose, _ in points), left, right)
    floor = 0.0 if curve.kind == "saturating" else min([low, *inside])
    goal = [] if study.target is None else [study.target.target]
    up, rungs = nice_scale(min([floor, *goal]), max([high, *inside, *goal]), bottom, top)
    label, unit = words_of(study.factor)
    title = f"{label[:1].upper()}{label[1:]}{f' in {unit}' if unit else ''}"
    parts = upright_axis(up, rungs, left, axis_title(result), right=right)
    parts += level_axis(across, marks, bottom, title)
    known = np.isfinite(curve.low) & np.isfinite(curve.high)
    dose = curve.dose[known]
    edge = [(across(one), up(value)) for one, value in zip(dose, curve.low[known], strict=True)]
    back = [(across(one), up(value)) for one, value in zip(dose, curve.high[known], strict=True)]
    if edge:
        parts.append(path([*edge, *back[::-1]], fill=ACCENT, opacity=0.15))
    parts.append(path([(across(one), up(value)) for one, value in
                       zip(curve.dose, curve.fitted, strict=True)], colour=ACCENT, width=2))
    parts.extend(dot(across(one), up(value), fill=INK, opacity=0.75) for one, value in points)
    target = study.target
    if target is not None:
        parts.append(line((left, up(target.target)), (right, up(target.target)), colour=WARM,
                          dash="5 4"))
        reached = "" if math.isfinite(target.dose) else ", not reached"
        parts.append(text(right, up(target.target) - 5, f"target {target.target:g}{reached}",
                          size=11, anchor="end", colour=WARM))
        if math.isfinite(target.dose):
            start = across(target.low) if math.isfinite(target.low) else across(
                float(curve.dose[0]))
            end = across(target.high) if math.isfinite(target.high) else across(
                float(curve.dose[-1]))
            parts.append(box((start, bottom - 7), (max(end - start, 2.0), 7), fill=WARM,
                             opacity=0.45))
            parts.append(line((across(target.dose), up(target.target)),
                              (across(target.dose), bottom), colour=WARM, width=1.4))
    words = f"{axis_title(result)} against {label}; {curve.note}. {study.sentence}"
    return picture(*_SIZE, parts, words)


def _dose_of(design: Design, arm: int, factor: str) -> float:
    if factor == "areal_dose_j_cm2":
        return design.arms[arm].dose
    level = design.arms[arm].levels[factor]
    return float(level)


def residual_figure(result: ResponseResult) -> str:
    """Return the units' residuals against their arm's mean, and against normal quantiles.

    Parameters
    ----------
    result : ResponseResult
        A tested response.
    """
    from scipy.special import ndtri

    tested = {arm.arm: arm for arm in result.arms if arm.tested}
    units = [unit for unit in result.units if unit.arm in tested]
    residual = np.array([unit.residual for unit in units])
    mean = np.array([unit.mean - unit.residual for unit in units])
    top, bottom = 40.0, 268.0
    up, rungs = nice_scale(float(residual.min()), float(residual.max()), bottom, top)
    parts = []
    first, marks = nice_scale(float(mean.min()), float(mean.max()), 66, 340, ticks=4)
    parts += upright_axis(up, rungs, 66, "Unit minus mean of its setting", right=340)
    parts += level_axis(first, marks, bottom, "Mean of the setting")
    parts.append(line((66, up(0.0)), (340, up(0.0)), colour=FAINT))
    for unit, row, column in zip(units, residual, mean, strict=True):
        parts.append(dot(first(float(column)), up(float(row)), opacity=0.85))
        if unit.outlying:
            parts.append(dot(first(float(column)), up(float(row)), radius=6.6, fill="none",
                             stroke=WARM, width=1.6))
    order = np.sort(residual)
    normal = ndtri((np.arange(order.size) + 0.625) / (order.size + 0.25))
    second, steps = nice_scale(float(normal.min()), float(normal.max()), 420, 694, ticks=4)
    parts += upright_axis(up, rungs, 420, "The same, in order", right=694)
    parts += level_axis(second, steps, bottom, "Normal quantile")
    sd = float(residual.std())
    ends = [float(normal.min()), float(normal.max())]
    parts.append(line((second(ends[0]), up(sd * ends[0])), (second(ends[1]), up(sd * ends[1])),
                      colour=FAINT))
    parts.extend(dot(second(float(column)), up(float(row)), opacity=0.85)
                 for column, row in zip(normal, order, strict=True))
    return picture(720, 312, parts, f"Residuals of {result.response.label}: against the mean of"
                   " the setting, and ordered against normal quantiles.")


def interaction_figure(result: ResponseResult, design: Design) -> str:
    """Return arm means against one factor, a line for each level of the second.

    Parameters
    ----------
    result : ResponseResult
        A response with factor effects of two or more factors.
    design : Design
        Levels of the arms.
    """
    left, top, right, bottom = 70.0, 40.0, 470.0, 318.0
    names = [effect.name for effect in result.factors if effect.levels]
    first, others = names[0], names[1:]
    arms = [arm for arm in result.arms if arm.tested]
    levels = sorted({design.arms[arm.arm].levels[first] for arm in arms},
                    key=lambda level: (isinstance(level, str), level))
    ends = [value for arm in arms for value in (arm.mean, arm.low, arm.high)
            if math.isfinite(value)]
    up, rungs = nice_scale(min(ends), max(ends), bottom, top)
    parts = upright_axis(up, rungs, left, axis_title(result), right=right)
    label, unit = words_of(first)
    place = {level: left + (i + 0.5) * (right - left) / len(levels)
             for i, level in enumerate(levels)}
    for level in levels:
        parts.append(text(place[level], bottom + 17, shown(level), size=11, anchor="middle",
                          colour=FAINT))
    parts.append(line((left, bottom), (right, bottom), colour=FAINT, width=0.8))
    parts.append(text((left + right) / 2, bottom + 35,
                      f"{label[:1].upper()}{label[1:]}{f' in {unit}' if unit else ''}",
                      anchor="middle"))
    groups: dict[str, list[int]] = {}
    for i, arm in enumerate(arms):
        cell = design.arms[arm.arm].levels
        words = ", ".join(f"{words_of(name)[0]} {shown(cell[name])} {words_of(name)[1]}".strip()
                          for name in others)
        groups.setdefault(words, []).append(i)
    colours = (ACCENT, WARM, "#009E73", INK)
    for g, (words, members) in enumerate(sorted(groups.items())):
        colour, shift = colours[g % 4], (g - (len(groups) - 1) / 2) * 8
        spots = sorted((place[design.arms[arms[i].arm].levels[first]] + shift, up(arms[i].mean), i)
                       for i in members)
        parts.append(path([(column, row) for column, row, _ in spots], colour=colour,
                          dash=_DASHES[g % 4]))
        for column, row, i in spots:
            if math.isfinite(arms[i].low):
                parts.append(line((column, up(arms[i].low)), (column, up(arms[i].high)),
                                  colour=colour))
            parts.append(dot(column, row, fill=colour, radius=4))
        key = top + 14 + 20 * g
        parts.append(path([(right + 18, key - 4), (right + 46, key - 4)], colour=colour,
                          dash=_DASHES[g % 4]))
        parts.append(text(right + 54, key, words, size=11.5))
    return picture(740, 372, parts, f"{axis_title(result)} by {label}, a line for each level of"
                   " the other factors.")
