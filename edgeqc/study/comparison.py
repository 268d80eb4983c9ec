"""A whole study: design, every response, the answer."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from edgeqc.quantity import FloatArray
from edgeqc.study.checks import assumption_sentences, nesting_of
from edgeqc.study.design import Design
from edgeqc.study.design_reading import read_design
from edgeqc.study.effects import (
    all_pairs,
    all_tests,
    block_rows,
    fit_arms,
    summarise_arms,
    tested_arms,
    unit_values,
    untested,
)
from edgeqc.study.factor_effects import dose_study, factor_effects, response_surface
from edgeqc.study.material_interaction import MaterialInteraction, material_interaction
from edgeqc.study.multiplicity import holm
from edgeqc.study.planning import plan_rows, proposal
from edgeqc.study.responses import FaceValues, read_responses
from edgeqc.study.results import Comparison, ResponseResult
from edgeqc.study.sensitivity import sensitivities
from edgeqc.study.study_settings import StudySettings
from edgeqc.study.wording import (
    answer_of,
    cautions_of,
    design_paragraph,
    methods_paragraph,
    result_sentence,
)

if TYPE_CHECKING:
    import pandas as pd


def compare(
    table: pd.DataFrame, roughness: pd.DataFrame | None, settings: StudySettings
) -> Comparison:
    """Return the comparison of settings that a table of faces carries.

    Parameters
    ----------
    table : DataFrame
        Rows of ``faces.csv``.
    roughness : DataFrame, optional
        Rows of the tables of roughness.
    settings : StudySettings
        Design, responses, model, planning.

    Notes
    -----
    A table that carries no comparison gives a record whose ``answer`` says why, without tests.
    """
    design, faces = read_design(table, settings.design)
    results: list[ResponseResult] = []
    notes: list[str] = []
    interactions: list[MaterialInteraction] = []
    if design.arms and design.counts["taking part"]:
        responses, notes = read_responses(faces, roughness, settings.responses)
        blocks = block_rows(design, _block_levels(design, faces))
        for values in responses:
            results.extend(_within_materials(values, design, blocks, settings))
            both = None if design.obstacle else material_interaction(values, design, settings)
            interactions.extend([both] if both is not None else [])
    results = _adjusted(results, settings)
    primary = [result for result in results
               if result.response.name == settings.responses.primary]
    answer, conclusive = answer_of(primary, design, settings)
    decided = next((result for result in primary if result.plan), None)
    found = Comparison(
        answer, conclusive, design, design_paragraph(design), tuple(results), "",
        proposal(design, decided, settings), (*cautions_of(design, results), *notes), settings,
        software_versions(), tuple(interactions))
    return replace(found, methods=methods_paragraph(found, settings, found.versions))


def _block_levels(design: Design, faces: pd.DataFrame) -> dict[str, dict[str, str]]:
    """Return block -> unit -> level, over the units that take part."""
    part = faces[faces["taking_part"]]
    return {
        block.name: {
            str(unit): str(level)
            for unit, level in part.groupby("unit")[block.name].first().items()
        }
        for block in design.blocks if block.adjusted
    }


def _within_materials(
    values: FaceValues, design: Design, blocks: Mapping[str, FloatArray], settings: StudySettings
) -> list[ResponseResult]:
    """Return a response's result within each material."""
    found = []
    for material, arms in design.strata().items():
        inside = values.of(np.isin(values.arm, arms))
        if np.any(inside.taking_part):
            found.append(_analysed(inside, design, material, dict(blocks), settings))
    return found


def _analysed(
    values: FaceValues, design: Design, material: str, blocks: dict[str, FloatArray],
    settings: StudySettings,
) -> ResponseResult:
    """Return the result of one response within one material."""
    if design.obstacle:
        return untested(values, design, material, settings, design.obstacle)
    arms = tested_arms(values, design, settings.design.min_units_per_arm)
    if len(arms) < 2:
        return untested(values, design, material, settings, (
            f"fewer than two settings have {settings.design.min_units_per_arm} units with this"
            " value; shown, not tested."))
    fitted = fit_arms(values, arms, blocks)
    if fitted.mixed is None and float(np.ptp(fitted.units.mean)) == 0:
        return untested(values, design, material, settings, (
            f"all units have the same value ({float(fitted.units.mean[0]):g}); there is nothing to"
            " test."))
    # a generator per response: adding a response must not change another's figures
    seed = [settings.model.seed, *values.response.name.encode(), *material.encode()]
    rng = np.random.default_rng(seed)
    headline, others, counts = all_tests(fitted, settings, rng)
    pairs = all_pairs(fitted, counts, settings)
    units = unit_values(values, settings.model.outlier_distance)
    dose, dose_note = dose_study(fitted, design, settings)
    return ResponseResult(
        response=values.response,
        material=material,
        arms=summarise_arms(values, design, fitted, settings.model.alpha),
        units=units,
        missing=values.missing,
        overall=headline,
        tests=others,
        pairs=pairs,
        nesting=nesting_of(fitted, design, headline.p),
        sensitivities=sensitivities(values, fitted, headline, blocks),
        checks=assumption_sentences(fitted, units, design, settings),
        factors=factor_effects(fitted, design, settings.model.alpha),
        dose=dose,
        dose_note=dose_note,
        plan=plan_rows(fitted, pairs, settings),
        surface=response_surface(fitted, design),
    )


def _adjusted(results: list[ResponseResult], settings: StudySettings) -> list[ResponseResult]:
    """Return the results with p-values that allow for all of them, and their sentences."""
    raw = np.array([
        math.nan if result.overall is None else result.overall.p for result in results])
    adjusted = holm(raw)
    found = [replace(result, p_holm=float(p))
             for result, p in zip(results, adjusted, strict=True)]
    return [replace(result, sentence=result_sentence(result, settings)) for result in found]


def software_versions() -> dict[str, str]:
    """Return the names and versions of the software behind the numbers."""
    import platform
    from importlib.metadata import version

    import edgeqc

    return {
        "edgeqc": edgeqc.__version__, "Python": platform.python_version(),
        "numpy": version("numpy"), "scipy": version("scipy"), "pandas": version("pandas"),
    }
