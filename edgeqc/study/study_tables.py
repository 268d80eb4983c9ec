"""Tables of a study: one row per thing, written as CSV and printed in the report."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence

from edgeqc.study.plain_record import plain
from edgeqc.study.results import Comparison, ResponseResult

Cell = str | float | int | bool | None
Table = tuple[tuple[str, ...], list[list[Cell]]]


def study_tables(comparison: Comparison) -> dict[str, Table]:
    """Return file name -> header and rows of every table of a study.

    Parameters
    ----------
    comparison : Comparison
        The study.
    """
    results = comparison.results
    arms = comparison.design.arms
    return {
        "settings_arms.csv": (
            ("material", "setting", "dose_j_cm2", "units", "faces", "tested"),
            [[arm.material, arm.label, arm.dose, arm.units, arm.faces, arm.tested]
             for arm in arms]),
        "settings_means.csv": (
            ("response", "unit", "material", "setting", "units", "faces", "mean", "ci_low",
             "ci_high", "sd_of_units", "tested"),
            [[*_head(result), arm.label, arm.units, arm.faces, arm.mean, arm.low, arm.high,
              arm.sd, arm.tested] for result in results for arm in result.arms]),
        "settings_units.csv": (
            ("response", "unit", "material", "setting", "specimen_or_lens", "mean", "faces",
             "residual", "outlying"),
            [[*_head(result), arms[unit.arm].label, unit.unit, unit.mean, unit.faces,
              unit.residual, unit.outlying] for result in results for unit in result.units]),
        "settings_differences.csv": _differences(comparison),
        "settings_tests.csv": (
            ("response", "unit", "material", "role", "test", "statistic", "df_num", "df_den", "p",
             "p_holm", "note"),
            [row for result in results for row in _tests(result)]),
        "settings_factors.csv": (
            ("response", "unit", "material", "factor", "level", "adjusted_mean", "ci_low",
             "ci_high", "f", "df_num", "df_den", "p"),
            [row for result in results for row in _factors(result)]),
        "settings_surface.csv": (
            ("response", "unit", "material", "term", "coefficient", "se", "df", "r_squared"),
            [[*_head(result), term, float(result.surface.beta[i]), float(result.surface.se[i]),
              result.surface.df, result.surface.r_squared]
             for result in results if result.surface is not None
             for i, term in enumerate(result.surface.names)]),
        "settings_dose.csv": (
            ("response", "unit", "material", "dose", "dose_unit", "fitted", "low", "high"),
            [[*_head(result), float(dose), result.dose.unit, float(fitted), float(low),
              float(high)]
             for result in results if result.dose is not None
             for dose, fitted, low, high in zip(
                 result.dose.curve.dose, result.dose.curve.fitted, result.dose.curve.low,
                 result.dose.curve.high, strict=True)]),
        "settings_plan.csv": (
            ("response", "unit", "material", "difference", "origin", "faces_per_unit", "power",
             "units_per_arm", "units_per_arm_cautious"),
            [[*_head(result), row.difference, row.origin, row.faces_per_unit, row.power,
              row.units, row.units_cautious] for result in results for row in result.plan]),
    }


def _head(result: ResponseResult) -> list[Cell]:
    return [result.response.name, result.response.unit, result.material]


def _differences(comparison: Comparison) -> Table:
    arms = comparison.design.arms
    header = ("response", "unit", "material", "second", "first", "scale", "estimate", "ci_low",
              "ci_high", "se", "df", "p", "p_over_pairs", "hedges_g", "g_low", "g_high", "margin",
              "p_equivalence", "equivalent")
    rows: list[list[Cell]] = []
    for result in comparison.results:
        for pair in result.pairs:
            same = pair.equivalence
            rows.append([
                *_head(result), arms[pair.second].label, arms[pair.first].label, pair.scale,
                pair.estimate, pair.low, pair.high, pair.se, pair.df, pair.p, pair.p_family,
                pair.g, pair.g_low, pair.g_high,
                *((None, None, None) if same is None else (same.margin, same.p, same.equivalent)),
            ])
    return header, rows


def _tests(result: ResponseResult) -> Iterable[list[Cell]]:
    if result.overall is None:
        yield [*_head(result), "none", "", None, None, None, None, None, result.obstacle]
        return
    one = result.overall
    yield [*_head(result), "counts", one.name, one.statistic, one.df_num, one.df_den, one.p,
           result.p_holm, one.note]
    for test in result.tests:
        yield [*_head(result), "beside", test.name, test.statistic, test.df_num, test.df_den,
               test.p, None, test.note]
    for other in result.sensitivities:
        test = other.test
        yield [*_head(result), "sensitivity", other.name, test.statistic, test.df_num,
               test.df_den, test.p, None, other.sentence]
    if result.nesting is not None:
        test = result.nesting.naive
        yield [*_head(result), "wrong", "faces taken as independent", test.statistic,
               test.df_num, test.df_den, test.p, None, "shown for contrast only"]


def _factors(result: ResponseResult) -> Iterable[list[Cell]]:
    for effect in result.factors:
        test = effect.test
        tail: list[Cell] = [test.statistic, test.df_num, test.df_den, test.p]
        if not effect.levels:
            yield [*_head(result), effect.name, "", None, None, None, *tail]
        for level, mean, low, high in zip(effect.levels, effect.mean, effect.low, effect.high,
                                          strict=True):
            yield [*_head(result), effect.name, level, mean, low, high, *tail]


def csv_text(header: Sequence[str], rows: Iterable[Sequence[Cell]]) -> str:
    """Return a table as CSV text, missing numbers as empty cells, the same bytes each time."""
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(header)
    for row in rows:
        writer.writerow([_cell(plain(value)) for value in row])
    return stream.getvalue()


def _cell(value: Cell) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return f"{value:.10g}"
    return str(value)
