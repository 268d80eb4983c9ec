"""The responses of a study: what is compared, a value and its doubt for every face."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

import numpy as np
from numpy.typing import NDArray

from edgeqc.measure.measurands import MEASURANDS
from edgeqc.quantity import BoolArray, FloatArray
from edgeqc.study.study_settings import Direction, ResponseSettings

if TYPE_CHECKING:
    import pandas as pd

Kind = Literal["fraction", "length", "relative", "count"]

_ERRORS = {
    "spot_separation_error": ("spot_separation_measured_um", "spot_separation_um",
                              "spot separation error (measured over set, minus 1)"),
    "line_separation_error": ("line_separation_measured_um", "line_separation_um",
                              "line separation error (measured over set, minus 1)"),
}
_SHORT = {
    "cut_depth_fraction": "cut depth (fraction of thickness)",
    "through_cut_fraction": "through-cut share",
    "ligament_um": "mean ligament",
    "debris_count": "debris count per face",
}
_OF_RESIDUAL = frozenset({"scissor_area_fraction", "torn_area_fraction"})
_OF_RESIDUAL_ZONES = ("scissor/", "torn/")  # how roughness of these zones is named
_KEYS = ("results", "specimen", "image", "face")


@dataclass(frozen=True)
class Response:
    """One response.

    Parameters
    ----------
    name : str
        Column, or ``zone/basis/parameter``.
    label, unit : str
        Words and unit (``"1"`` for a pure number).
    kind : {"fraction", "length", "relative", "count"}
        How it is modelled.
    better : {"higher", "lower", "near zero", "none"}
        Which way is better.
    margin, worthwhile, target : float
        From the protocol; ``nan`` where it names none.
    """

    name: str
    label: str
    unit: str
    kind: Kind
    better: Direction
    margin: float
    worthwhile: float
    target: float


@dataclass(frozen=True)
class FaceValues:
    """A response over the faces that have it.

    Parameters
    ----------
    response : Response
        What the values are.
    value, u : (n,) float array
        Value and standard uncertainty (``nan`` where none is given), in the response's unit.
    unit : (n,) str array
        Unit of each face.
    fragment : (n,) str array
        Specimen within the unit.
    arm : (n,) int array
        Arm of each face.
    taking_part : (n,) bool array
        False for faces in review or rejected.
    missing : int
        Faces that take part and have no value.
    """

    response: Response
    value: FloatArray
    u: FloatArray
    unit: NDArray[np.str_]
    fragment: NDArray[np.str_]
    arm: NDArray[np.intp]
    taking_part: BoolArray
    missing: int

    def of(self, chosen: BoolArray) -> FaceValues:
        """Return the same over some of the faces."""
        return replace(
            self, value=self.value[chosen], u=self.u[chosen], unit=self.unit[chosen],
            fragment=self.fragment[chosen], arm=self.arm[chosen],
            taking_part=self.taking_part[chosen])


def read_responses(
    faces: pd.DataFrame, roughness: pd.DataFrame | None, settings: ResponseSettings
) -> tuple[list[FaceValues], list[str]]:
    """Return the responses that at least one face has, and words on those that none has.

    Parameters
    ----------
    faces : DataFrame
        From ``read_design``.
    roughness : DataFrame, optional
        Rows of the tables of roughness, with ``image`` and ``face``.
    settings : ResponseSettings
        Which responses.
    """
    found, absent = [], []
    for name in settings.measurands:
        values = _measurand(faces, name, settings)
        if values is None:
            absent.append(words_for(name))
        else:
            found.append(values)
    for name in settings.roughness:
        values = _roughness(faces, roughness, name, settings)
        if values is None:
            absent.append(words_for(name))
        else:
            found.append(values)
    notes = [f"Asked for, and had by no face that takes part: {'; '.join(absent)}."
             ] if absent else []
    return found, notes


def words_for(name: str) -> str:
    """Return a response's words.

    Examples
    --------
    >>> words_for("laser/edge contour/Rq")
    'Rq of the laser zone (edge contour)'
    """
    if name in _ERRORS:
        return _ERRORS[name][2]
    if name.count("/") == 2:
        zone, basis, parameter = name.split("/")
        where = "whole face" if zone == "face" else f"{zone} zone"
        return f"{parameter} of the {where} ({basis})"
    known = MEASURANDS.get(name)
    if known is None:
        return name.replace("_", " ")
    title = known.title[0].lower() + known.title[1:]
    return _SHORT.get(name, title)


def _response(name: str, unit: str, kind: Kind, settings: ResponseSettings) -> Response:
    nan = float("nan")
    return Response(name, words_for(name), unit, kind, settings.better.get(name, "none"),
                    settings.margin.get(name, nan), settings.worthwhile.get(name, nan),
                    settings.target.get(name, nan))


def _numbers(faces: pd.DataFrame, name: str) -> FloatArray:
    """Return a column as numbers, nan where it has none."""
    import pandas as pd

    if name not in faces:
        return np.full(len(faces), np.nan)
    return np.asarray(pd.to_numeric(faces[name], errors="coerce"), dtype=np.float64)


def _measurand(
    faces: pd.DataFrame, name: str, settings: ResponseSettings
) -> FaceValues | None:
    """Return a response that stands in the table of faces."""
    if name in _ERRORS:
        measured, wanted, _ = _ERRORS[name]
        base = _numbers(faces, wanted)
        base = np.where(base > 0, base, np.nan)
        return _gathered(faces, _numbers(faces, measured) / base - 1.0,
                         _numbers(faces, f"u_{measured}") / base,
                         _response(name, "1", "relative", settings))
    known = MEASURANDS.get(name)
    kind: Kind = "length"
    unit = known.unit if known else ""
    if known is not None and known.fraction:
        kind = "fraction"
    elif name.endswith("_count"):
        kind = "count"
    elif known is None and name.endswith("_fraction"):
        kind, unit = "fraction", "1"
    return _gathered(faces, _numbers(faces, name), _numbers(faces, f"u_{name}"),
                     _response(name, unit, kind, settings))


def _roughness(
    faces: pd.DataFrame, roughness: pd.DataFrame | None, name: str, settings: ResponseSettings
) -> FaceValues | None:
    """Return a response that stands in the tables of roughness."""
    if roughness is None or len(roughness) == 0:
        return None
    zone, basis, parameter = name.split("/")
    rows = roughness[(roughness["zone"] == zone) & (roughness["basis"] == basis)
                     & (roughness["parameter"] == parameter)]
    if len(rows) == 0:
        return None
    keys = [key for key in _KEYS if key in faces and key in rows]
    columns = [*keys, "value"] + (["u"] if "u" in rows else [])
    rows, filtered = _one_filter(rows)
    rows = rows.drop_duplicates(keys)
    left = faces[keys].astype(str)
    right = rows[columns].copy()
    for key in keys:
        right[key] = right[key].astype(str)
    merged = left.merge(right, on=keys, how="left")
    unit = str(rows["unit"].iloc[0]) if "unit" in rows else ""
    response = _response(name, unit, "length", settings)
    return _gathered(faces, _numbers(merged, "value"), _numbers(merged, "u"),
                     replace(response, label=response.label + filtered))


def _one_filter(rows: pd.DataFrame) -> tuple[pd.DataFrame, str]:
    """Return the rows of the commonest nesting index, and its words where several were met.

    A parameter filtered in two ways is two measurands: they are not compared.
    """
    if "nesting_index_um" not in rows:
        return rows, ""
    index = _text(rows["nesting_index_um"])
    counts = index.value_counts()
    if len(counts) < 2:
        return rows, ""
    most = sorted(counts[counts == counts.max()].index)[0]
    return rows[index == most], f", nesting index {most} µm" if most else ", unfiltered"


def _text(column: pd.Series) -> pd.Series:
    return column.astype(object).where(column.notna(), "").astype(str).str.strip()


def _gathered(
    faces: pd.DataFrame, value: FloatArray, u: FloatArray, response: Response
) -> FaceValues | None:
    """Return the faces that have a value and a setting, or None."""
    arm = faces["arm"].to_numpy(dtype=np.intp)
    taking = faces["taking_part"].to_numpy(dtype=bool)
    if response.name in _OF_RESIDUAL or response.name.startswith(_OF_RESIDUAL_ZONES):
        taking = taking & faces["residual_named"].to_numpy(dtype=bool)
    has = np.isfinite(value) & (arm >= 0)
    if not np.any(has & taking):
        return None
    # two pictures of one specimen may hold further fragments of it
    fragment = faces["specimen"].astype(str).to_numpy(dtype=str)
    unit = faces["unit"].astype(str).to_numpy(dtype=str)
    missing = int(np.sum(taking & (arm >= 0) & ~np.isfinite(value)))
    return FaceValues(response, value[has], u[has], unit[has], fragment[has], arm[has],
                      taking[has], missing)
