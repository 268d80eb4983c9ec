"""Figures of a study: its design, every unit as a dot, differences with their intervals."""

from __future__ import annotations

import math
from collections.abc import Sequence

from edgeqc.study.chart import (
    ACCENT,
    FAINT,
    INK,
    RULE,
    WARM,
    WASH,
    Scale,
    box,
    diamond,
    dot,
    level_axis,
    line,
    nice_scale,
    picture,
    text,
    text_width,
)
from edgeqc.study.design import Arm, Design, Level, shown, words_of
from edgeqc.study.numbers_in_words import interval, number, p_value
from edgeqc.study.results import ArmSummary, Pair, ResponseResult, UnitValue
from edgeqc.study.wording import places_for, unit_of

WIDTH = 720.0
_PLOT = 330.0
"""Least width of the part with the marks; long labels widen the figure."""
_ROW, _LEAST_ROW, _TALLEST = 46.0, 26.0, 900.0
"""Height of a row, its least, and the height beyond which rows grow narrower."""
_CELL = (104.0, 52.0)
_MOST_UNITS = 400
"""With more units than this in an arm, dots are thinned out in the picture (never in the
numbers), evenly over their order."""


def axis_title(result: ResponseResult) -> str:
    """Return a response with its unit, for an axis."""
    words = result.response.label
    unit = unit_of(result).strip()
    return f"{words[:1].upper()}{words[1:]}{f' in {unit}' if unit else ''}"


def design_figure(design: Design) -> str:
    """Return the design as a table of cells: units in each, faces in small.

    Parameters
    ----------
    design : Design
        With at least one arm.
    """
    free = [factor for factor in design.factors if factor.name != "material"]
    first = free[0].name if free else next(iter(design.arms[0].levels))
    columns = sorted({arm.levels[first] for arm in design.arms}, key=_sorting)
    others = [factor.name for factor in free[1:]]
    rows: list[tuple[str, tuple[Level, ...]]] = sorted(
        {(arm.material, tuple(arm.levels[name] for name in others)) for arm in design.arms},
        key=lambda row: (row[0], tuple(_sorting(level) for level in row[1])))
    labels = [_row_label(row, others, design) for row in rows]
    left = 24 + max((text_width(label) for label in labels), default=0)
    head = 56.0
    width = max(left + len(columns) * _CELL[0] + 16, 420)
    label, unit = words_of(first)
    title = f"{label[:1].upper()}{label[1:]}{f' in {unit}' if unit else ''}"
    parts = [text(left, 22, title, weight="600")]
    for j, level in enumerate(columns):
        parts.append(text(left + (j + 0.5) * _CELL[0], 46, shown(level), anchor="middle"))
    filled = {(arm.levels[first], (arm.material, tuple(arm.levels[name] for name in others))): arm
              for arm in design.arms}
    for i, row in enumerate(rows):
        top = head + i * _CELL[1]
        parts.append(text(left - 12, top + 30, labels[i], anchor="end"))
        for j, level in enumerate(columns):
            arm = filled.get((level, row))
            parts.extend(_cell(left + j * _CELL[0], top, arm))
    bottom = head + len(rows) * _CELL[1]
    noun = "lenses" if design.unit == "lens" else f"{design.unit}s"
    parts.append(text(left, bottom + 22, f"Large: {noun}. Small: faces that take part. Pale:"
                      " too few for a test. Dash: not cut.", size=11, colour=FAINT))
    words = "Units and faces in each setting: " + "; ".join(
        f"{arm.material} {arm.label}: {arm.units} units, {arm.faces} faces".strip()
        for arm in design.arms)
    return picture(max(width, left + 430), bottom + 36, parts, words)


def _sorting(level: Level) -> tuple[bool, Level]:
    return isinstance(level, str), level


def _row_label(
    row: tuple[str, tuple[Level, ...]], names: Sequence[str], design: Design
) -> str:
    """Return the words beside a row of cells."""
    from edgeqc.study.design import setting_label

    words = setting_label(dict(zip(names, row[1], strict=True))) if names else ""
    material = row[0] if len(design.materials) > 1 else ""
    return ": ".join(part for part in (material, words) if part)


def _cell(column: float, top: float, arm: Arm | None) -> list[str]:
    """Return one cell of the design."""
    middle = column + _CELL[0] / 2
    if arm is None or arm.units == 0:
        return [box((column + 2, top + 2), (_CELL[0] - 4, _CELL[1] - 4), fill="#ffffff",
                    stroke=RULE), text(middle, top + 32, "–", anchor="middle", colour=FAINT)]
    fill = WASH if not arm.tested else "#cfe3f0"
    return [box((column + 2, top + 2), (_CELL[0] - 4, _CELL[1] - 4), fill=fill),
            text(middle, top + 27, str(arm.units), size=18, anchor="middle", weight="600",
                 colour=INK if arm.tested else FAINT),
            text(middle, top + 43, f"{arm.faces} faces", size=11, anchor="middle", colour=FAINT)]


def units_figure(result: ResponseResult) -> str:
    """Return every unit as a dot, with the arms' means and intervals.

    Parameters
    ----------
    result : ResponseResult
        A response.
    """
    places = places_for(result)
    arms = result.arms
    labels = [arm.label for arm in arms]
    left = 24 + max(text_width(label) for label in labels)
    notes = [_mean_words(arm, places) for arm in arms]
    room = max(text_width(note, 11.5) for note in notes) + 28
    width = max(WIDTH, left + _PLOT + room)
    right = width - room
    head = 34.0
    step = max(_LEAST_ROW, min(_ROW, _TALLEST / len(arms)))
    bottom = head + step * len(arms)
    values = [unit.mean for unit in result.units]
    ends = [end for arm in arms for end in (arm.low, arm.high) if math.isfinite(end)]
    low, high = min([*values, *ends]), max([*values, *ends])
    scale, marks = nice_scale(low, high, left, right)
    parts = level_axis(scale, marks, bottom, axis_title(result), top=head)
    parts.append(text(width - 16, head - 12, "mean (95 % CI), units", size=11.5, anchor="end",
                      colour=FAINT))
    for i, arm in enumerate(arms):
        row = head + (i + 0.5) * step
        if i:
            parts.append(line((16, row - step / 2), (width - 16, row - step / 2), colour=RULE,
                              width=0.6))
        parts.append(text(left - 12, row + 4, arm.label, anchor="end"))
        parts.extend(_unit_dots([unit for unit in result.units if unit.arm == arm.arm], scale,
                                row - step / 8, tested=arm.tested))
        parts.extend(_mean_mark(arm, scale, row + step * 0.3))
        parts.append(text(width - 16, row + 4, notes[i], size=11.5, anchor="end"))
    words = f"{axis_title(result)} by setting. " + "; ".join(
        f"{arm.label}: {note}" for arm, note in zip(arms, notes, strict=True))
    return picture(width, bottom + 48, parts, words)


def _mean_words(arm: ArmSummary, places: int) -> str:
    """Return an arm's mean, interval and number of units."""
    mean = number(arm.mean, places)
    if math.isfinite(arm.low):
        mean += f" ({interval(arm.low, arm.high, places)})"
    return f"{mean}, n = {arm.units}" + ("" if arm.tested else ", not tested")


def _mean_mark(arm: ArmSummary, scale: Scale, row: float) -> list[str]:
    """Return the mean with its interval."""
    parts = []
    if math.isfinite(arm.low):
        parts.append(line((scale(arm.low), row), (scale(arm.high), row), width=1.6))
        for end in (arm.low, arm.high):
            parts.append(line((scale(end), row - 4), (scale(end), row + 4), width=1.6))
    parts.append(diamond(scale(arm.mean), row, fill=INK if arm.tested else FAINT))
    return parts


def _unit_dots(
    units: Sequence[UnitValue], scale: Scale, row: float, *, tested: bool
) -> list[str]:
    """Return units as dots, pushed apart where they would cover one another."""
    if len(units) > _MOST_UNITS:
        step = math.ceil(len(units) / _MOST_UNITS)
        ordered = sorted(units, key=lambda unit: unit.mean)
        units = [unit for i, unit in enumerate(ordered) if i % step == 0 or unit.outlying]
    placed: list[tuple[float, float]] = []
    parts = []
    for unit in sorted(units, key=lambda one: one.mean):
        column = scale(unit.mean)
        shift = next((offset for offset in (0.0, -6.5, 6.5, -12.0, 12.0)
                      if all(abs(column - other) > 6.2 or abs(offset - taken) > 4
                             for other, taken in placed[-12:])), 0.0)
        placed.append((column, shift))
        parts.append(dot(column, row + shift * 0.8, fill=ACCENT if tested else "#ffffff",
                         stroke="#ffffff" if tested else FAINT, opacity=0.85))
        if unit.outlying:
            parts.append(dot(column, row + shift * 0.8, radius=6.6, fill="none", stroke=WARM,
                             width=1.6))
    return parts


def differences_figure(result: ResponseResult) -> str:
    """Return the comparisons of arms with intervals, the line of no difference and the margin.

    Parameters
    ----------
    result : ResponseResult
        With at least one pair.
    """
    places = places_for(result)
    labels = {arm.arm: arm.label for arm in result.arms}
    pairs = [pair for pair in result.pairs if math.isfinite(pair.estimate)]
    ratio = bool(pairs) and pairs[0].scale == "ratio"
    joint = " over " if ratio else " − "
    names = [f"{labels[pair.second]}{joint}{labels[pair.first]}" for pair in pairs]
    left = 24 + max(text_width(name, 11.5) for name in names)
    notes = [_pair_note(pair, 2 if ratio else places) for pair in pairs]
    room = max(text_width(note, 11.5) for note in notes) + 28
    width = max(WIDTH, left + _PLOT + room)
    right = width - room
    head, step = 34.0, max(17.0, min(25.0, _TALLEST / len(pairs)))
    bottom = head + step * len(pairs) + 4
    none = 1.0 if ratio else 0.0
    margin = next((pair.equivalence.margin for pair in pairs if pair.equivalence), math.nan)
    ends = [value for pair in pairs for value in (pair.low, pair.high) if math.isfinite(value)]
    if math.isfinite(margin):
        ends += [-margin, margin]
    scale, marks = nice_scale(min([*ends, none]), max([*ends, none]), left, right)
    parts = []
    if math.isfinite(margin):
        parts.append(box((scale(-margin), head), (scale(margin) - scale(-margin), bottom - head),
                         fill="#dfe9d8"))
    kind = "Ratio" if ratio else "Difference"
    unit = unit_of(result).strip()
    title = f"{kind} in {result.response.label}{f', {unit}' if unit and not ratio else ''}"
    parts += level_axis(scale, marks, bottom, title, top=head)
    parts.append(line((scale(none), head), (scale(none), bottom), width=1.2))
    parts.append(text(width - 16, head - 12, "estimate (95 % CI), p over all pairs", size=11.5,
                      anchor="end", colour=FAINT))
    for i, pair in enumerate(pairs):
        row = head + (i + 0.5) * step + 2
        parts.append(text(left - 12, row + 4, names[i], size=11.5, anchor="end"))
        if math.isfinite(pair.low):
            parts.append(line((scale(pair.low), row), (scale(pair.high), row), width=1.6))
        parts.append(dot(scale(pair.estimate), row, fill=INK))
        parts.append(text(width - 16, row + 4, notes[i], size=11.5, anchor="end"))
    height = bottom + 48
    if math.isfinite(margin):
        parts.append(text(left, height + 8, f"Green band: differences within ±{margin:g} do not"
                          " matter (margin of the protocol).", size=11, colour=FAINT))
        height += 16
    words = f"{title}: " + "; ".join(
        f"{name}: {note}" for name, note in zip(names, notes, strict=True))
    return picture(width, height, parts, words)


def _pair_note(pair: Pair, places: int) -> str:
    """Return a comparison's numbers."""
    return (f"{number(pair.estimate, places)} ({interval(pair.low, pair.high, places)}),"
            f" {p_value(pair.p_family)}")
