"""Reading the design of a study from its table of faces."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np

from edgeqc.errors import StudyError
from edgeqc.study.design import Arm, Design, Level, areal_dose, setting_label, shown
from edgeqc.study.design_relations import (
    missing_cells,
    obstacle_of,
    read_blocks,
    separated_factors,
)
from edgeqc.study.numbers_in_words import counted
from edgeqc.study.study_settings import DesignSettings

if TYPE_CHECKING:
    import pandas as pd


_WITHOUT_RESIDUAL = "verdict_without_residual"


def read_design(table: pd.DataFrame, settings: DesignSettings) -> tuple[Design, pd.DataFrame]:
    """Return the design and the table of faces with ``unit``, ``arm`` and ``taking_part``.

    Parameters
    ----------
    table : DataFrame
        Rows of ``faces.csv`` (one or several results put together).
    settings : DesignSettings
        Columns and rules.

    Returns
    -------
    Design
        With ``obstacle`` set where the table carries no comparison.
    DataFrame
        A copy; ``arm`` is −1 for faces without a complete setting. ``residual_named`` is False
        for faces that take part in what does not rest on the residual's name alone.
    """
    faces, unit, notes = _with_units(table, settings)
    columns = _setting_columns(faces, settings)
    counts = {"faces": len(faces)}
    if len(faces) == 0:
        return _empty(unit, counts, "The table holds no faces."), faces.assign(
            arm=np.array([], dtype=int), taking_part=np.array([], dtype=bool),
            residual_named=np.array([], dtype=bool))
    verdict = faces["verdict"] if "verdict" in faces else None
    named = np.ones(len(faces), bool) if verdict is None else (
        verdict.astype(str).str.strip().isin(settings.verdicts).to_numpy())
    taking = named
    if verdict is not None and _WITHOUT_RESIDUAL in faces:
        verdict = _text(faces[_WITHOUT_RESIDUAL]).where(lambda word: word != "", _text(verdict))
        taking = named | verdict.isin(settings.verdicts).to_numpy()
    for word in ("review", "rejected"):
        counts[word] = 0 if verdict is None else int((verdict.astype(str) == word).sum())
    if verdict is None:
        notes.append("The table has no verdicts; every face takes part.")
    faces["taking_part"], faces["residual_named"] = taking, named
    unsure = int(np.sum(taking & ~named))
    if unsure:
        notes.append(f"Of these, {counted(unsure, 'face')} whose remainder may have been torn or"
                     " cut by scissors only in what does not rest on that.")
    if not columns:
        counts["taking part"] = int(taking.sum())
        return _empty(unit, counts, "The table names no settings: none of the columns "
                      f"{', '.join(settings.factors)} holds a value.", tuple(notes)), (
                          faces.assign(arm=-1))
    faces = _with_arms(faces, columns, settings, counts, notes)
    design = _designed(faces, columns, settings, (unit, counts, tuple(notes)))
    return design, faces


def _empty(
    unit: str, counts: Mapping[str, int], obstacle: str, notes: tuple[str, ...] = ()
) -> Design:
    """Return a design without arms."""
    return Design(unit, (), (), (), (), (), (), counts, notes, obstacle)


def _text(column: Any) -> Any:
    """Return a column as stripped text, missing cells as empty."""
    return column.astype(object).where(column.notna(), "").astype(str).str.strip()


def _with_units(
    table: pd.DataFrame, settings: DesignSettings
) -> tuple[pd.DataFrame, str, list[str]]:
    """Copy with a column ``unit``; what the unit is; notes."""
    faces = table.copy().reset_index(drop=True)
    notes: list[str] = []
    specimen = next((name for name in ("specimen", "lens", "image") if name in faces), None)
    if specimen is None:
        raise StudyError(
            "the table has none of the columns specimen, lens, image",
            rule="A study counts units; faces must say which specimen they belong to.",
            remedy="Start from faces.csv, or name the specimen of each row.",
        )
    keys = [name for name in ("image", "specimen", "fragment", "face") if name in faces]
    if "face" in keys and len(faces) and faces.duplicated(keys).any():
        twice = int(faces.duplicated(keys).sum())
        raise StudyError(
            f"{twice} faces stand twice in the results put together",
            rule="Each face counts once.",
            remedy="Name each results folder once and only one run of the same images, and give"
                   " specimens of different runs names of their own.",
        )
    faces["specimen"] = _text(faces[specimen])
    lens = _text(faces["lens"]) if "lens" in faces else faces["specimen"] * 0
    named = bool(len(faces)) and bool((lens != "").any())
    if settings.unit == "lens" and not named:
        raise StudyError(
            "the protocol takes the lens as unit, but the table names no lenses",
            remedy="Fill the sheet's column lens, or set unit = \"specimen\" in the protocol.")
    if settings.unit != "specimen" and named:
        blank = int((lens == "").sum())
        if blank:
            notes.append(f"{blank} faces name no lens; there the specimen stands in for it.")
        faces["unit"] = lens.where(lens != "", "specimen " + faces["specimen"])
        return faces, "lens", notes
    faces["unit"] = faces["specimen"]
    return faces, "specimen", notes


def _setting_columns(faces: pd.DataFrame, settings: DesignSettings) -> list[str]:
    """Columns of settings that hold at least one value."""
    return [name for name in settings.factors if name in faces and (_text(faces[name]) != "").any()]


def _levels(column: Any) -> Any:
    """Return a column as numbers where all its cells are numbers, else as text."""
    import pandas as pd

    text = _text(column)
    numbers = pd.to_numeric(text.where(text != "", None), errors="coerce")
    if bool((numbers.notna() == (text != "")).all()):
        return numbers
    return text


def _with_arms(
    faces: pd.DataFrame, columns: list[str], settings: DesignSettings,
    counts: dict[str, int], notes: list[str],
) -> pd.DataFrame:
    """Copy with levels made numbers, material made text and the arm's key."""
    import pandas as pd

    for name in columns:
        faces[name] = _levels(faces[name])
    has_material = settings.material in faces
    faces["_material"] = _text(faces[settings.material]) if has_material else ""
    full = np.ones(len(faces), bool)
    for name in columns:
        full &= (faces[name].notna() & (_text(faces[name]) != "")).to_numpy()
    if has_material and (faces["_material"] != "").any():
        blank = full & (faces["_material"] == "").to_numpy()
        if blank.any():
            notes.append(f"{int(blank.sum())} faces name no material and are left out, because "
                         "materials are not to be mixed.")
        full &= (faces["_material"] != "").to_numpy()
    counts["no setting"] = int((~full).sum())
    if counts["no setting"]:
        notes.append(f"{counts['no setting']} faces lack a setting or material on the sheet and"
                     " are left out.")
    keys = faces[[*columns, "_material"]].astype(str).agg("|".join, axis=1)
    several = keys[full].groupby(faces["unit"][full]).nunique()
    mixed = set(several[several > 1].index)
    inside = faces["unit"].isin(mixed).to_numpy() & full
    if mixed and "specimen" in faces:
        own = keys[inside].groupby(faces["specimen"][inside]).nunique()
        if bool((own <= 1).all()) and len(mixed) == int((several >= 1).sum()):
            notes.append("Every lens carries several settings, one per specimen: the specimen is"
                         " the unit and the lens a block.")
            faces["_lens"] = faces["unit"]
            faces["unit"], mixed = faces["specimen"], set()
    counts["two settings"] = len(mixed)
    if mixed:
        shown = ", ".join(sorted(mixed)[:5]) + (", …" if len(mixed) > 5 else "")
        notes.append(f"{len(mixed)} units carry more than one setting or material ({shown}) and"
                     " are left out.")
        full &= ~faces["unit"].isin(mixed).to_numpy()
    distinct = faces.loc[full, [*columns, "_material"]].drop_duplicates()
    distinct = distinct.sort_values(["_material", *columns], kind="stable")
    order = {key: i for i, key in enumerate(
        distinct.astype(str).agg("|".join, axis=1))} if len(distinct) else {}
    arm = pd.Series(-1, index=faces.index)
    arm[full] = keys[full].map(order)
    faces["arm"] = arm.astype(int)
    faces["taking_part"] &= faces["arm"] >= 0
    counts["taking part"] = int(faces["taking_part"].sum())
    return faces


def _designed(
    faces: pd.DataFrame, columns: list[str], settings: DesignSettings,
    head: tuple[str, Mapping[str, int], tuple[str, ...]],
) -> Design:
    """Return the design of faces that have their arms."""
    unit, counts, notes = head
    if "_lens" in faces:
        unit = "specimen"
    arms = []
    settled = faces[faces["arm"] >= 0]
    varying = [name for name in columns if settled[name].nunique() > 1]
    for _, group in settled.groupby("arm"):
        first = group.iloc[0]
        levels: dict[str, Level] = {
            name: float(first[name]) if isinstance(first[name], float | int | np.number)
            else str(first[name]) for name in columns}
        part = group[group["taking_part"]]
        units = int(part["unit"].nunique())
        arms.append(Arm(setting_label(levels, varying), levels, str(first["_material"]),
                        areal_dose(levels), units, len(part),
                        units >= settings.min_units_per_arm))
    if not arms:
        return _empty(unit, counts, "No face has a complete setting on the sheet.", notes)
    factors = separated_factors(arms, columns)
    fixed = tuple((name, shown(arms[0].levels[name])) for name in columns
                  if len({arm.levels[name] for arm in arms}) == 1)
    blocks = read_blocks(settled[settled["taking_part"]], settings)
    materials = tuple(sorted({arm.material for arm in arms}))
    design = Design(unit, factors, fixed, tuple(arms), materials,
                    missing_cells(arms, factors, materials), blocks, counts, notes)
    return replace(design, obstacle=obstacle_of(design, settings))
