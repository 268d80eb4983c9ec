"""The tables that other programs read; the columns are fixed and the bytes repeatable."""

from __future__ import annotations

import csv
import math
import re
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

from edgeqc.examined import ExaminedPicture
from edgeqc.findings import FaceFindings, Findings, Value
from edgeqc.flags import verdict_without_residual

IMAGE_COLUMNS = ("image", "specimen", "status", "faces", "pixel_size_um", "pixel_size_source",
                 "tilt_deg", "reason")
SETTING_COLUMNS = ("material", "pulse_energy_uj", "spot_separation_um", "line_separation_um",
                   "accelerating_voltage_kv", "coating", "drying", "operator", "received")
FACE_COLUMNS = (
    "image", "specimen", "lens", "fragment", "face", "centroid_row_px", "centroid_col_px",
    "anterior", *SETTING_COLUMNS, "pixel_size_um", "pixel_size_source", "tilt_deg",
    "thickness_um", "u_thickness_um", "thickness_min_um", "thickness_max_um",
    "cut_depth_fraction", "u_cut_depth_fraction", "cut_depth_low", "cut_depth_high",
    "cut_depth_min", "cut_depth_nine_point", "cut_depth_area_fraction",
    "laser_length_fraction", "through_cut_fraction", "ligament_um", "u_ligament_um",
    "ligament_max_um", "laser_area_fraction", "scissor_area_fraction", "torn_area_fraction",
    "obscured_area_fraction", "spot_separation_measured_um", "u_spot_separation_measured_um",
    "line_separation_measured_um", "u_line_separation_measured_um", "lattice_angle_deg",
    "debris_count", "debris_area_fraction", "verdict", "flags",
    # the doubts of the values above that the fixed columns leave without
    "u_thickness_min_um", "u_thickness_max_um", "u_cut_depth_min", "u_cut_depth_nine_point",
    "u_cut_depth_area_fraction", "u_laser_length_fraction", "u_through_cut_fraction",
    "u_ligament_max_um", "u_laser_area_fraction", "u_scissor_area_fraction",
    "u_torn_area_fraction", "u_obscured_area_fraction", "u_lattice_angle_deg",
    "u_debris_count", "u_debris_area_fraction", "verdict_without_residual",
)
ROUGHNESS_COLUMNS = ("image", "face", "zone", "basis", "parameter", "value", "u", "unit",
                     "filter", "nesting_index_um", "evaluation_length_um", "standard", "note")
PROFILE_COLUMNS = ("image", "face", "s", "s_unit", "thickness", "u_thickness", "length_unit",
                   "cut_depth_fraction", "cut_depth_low", "cut_depth_high", "ligament", "valid",
                   "lasered")
# the second of each is its wide form, which spreadsheets for East Asian text take for the same
_FORMULA_MARKS = frozenset("=\uff1d@\uff20")
_SIGNS = frozenset("+\uff0b-\uff0d")
# a number, or what begins like one and has no sign to reckon with: no spreadsheet evaluates that
_NOTHING_TO_RECKON = re.compile(r"[+-][0-9][0-9A-Za-z.,_]*")


def cell(item: object) -> str:
    """Return a table cell: six significant digits for numbers, empty for what is not there."""
    if item is None:
        return ""
    if isinstance(item, bool):
        return "1" if item else "0"
    if isinstance(item, float):
        return f"{item:.6g}" if math.isfinite(item) else ""
    return str(item)


def write_table(path: Path, columns: Sequence[str], rows: Iterable[Mapping[str, Any]]) -> None:
    """Write a CSV table (UTF-8, header, line feed), cells by column name.

    Parameters
    ----------
    path : Path
        The file.
    columns : sequence of str
        Its columns.
    rows : iterable of mapping
        Its rows, by column name.

    Notes
    -----
    Text that a spreadsheet would evaluate gets a leading apostrophe: text that begins with ``=``
    or ``@``, or with ``+`` or ``-`` unless a digit follows and after it only letters, digits,
    points, commas and underscores. So ``=1+1`` becomes ``'=1+1``, and the id ``-014`` and the file
    name ``-014.tif`` stay as they are.
    """
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(columns)
        for row in rows:
            writer.writerow([_safe(row.get(column)) for column in columns])


def _safe(item: object) -> str:
    # text from file names or the sheet must not run as a formula; numbers keep their sign
    return f"'{item}" if isinstance(item, str) and _is_formula(item) else cell(item)


def _is_formula(text: str) -> bool:
    """Whether a spreadsheet that opens the table would evaluate a cell's text."""
    bare = text.strip()  # blanks and line ends before the sign do not stop it
    if bare[:1] in _SIGNS:
        return _NOTHING_TO_RECKON.fullmatch(bare) is None
    return bare[:1] in _FORMULA_MARKS


def image_rows(findings: Findings) -> list[dict[str, Any]]:
    """Return the rows of ``images.csv`` for a specimen."""
    return [
        {
            "image": item.image,
            "specimen": findings.specimen,
            "status": item.status,
            "faces": item.faces,
            "pixel_size_um": item.pixel_size_um.value,
            "pixel_size_source": item.pixel_size_source,
            "tilt_deg": item.tilt_deg.value,
            "reason": item.reason,
        }
        for item in findings.images
    ]


def face_columns(findings: Iterable[Findings]) -> tuple[str, ...]:
    """Return the columns of ``faces.csv``: the fixed ones, then the sheet's own."""
    known = {*FACE_COLUMNS, "note"}
    extra = dict.fromkeys(
        column for item in findings for column in item.sheet if column not in known)
    return (*FACE_COLUMNS, *extra)


def face_rows(findings: Findings) -> list[dict[str, Any]]:
    """Return the rows of ``faces.csv`` for a specimen."""
    images = {item.image: item for item in findings.images}
    rows = []
    for face in findings.faces:
        image = images[face.image]
        rows.append({
            **findings.sheet,
            "image": face.image,
            "specimen": findings.specimen,
            "face": face.face,
            "centroid_row_px": face.centroid_row_px,
            "centroid_col_px": face.centroid_col_px,
            "anterior": face.anterior,
            "pixel_size_um": image.pixel_size_um.value,
            "pixel_size_source": image.pixel_size_source,
            "tilt_deg": image.tilt_deg.value,
            **_measured_cells(face),
            "verdict": face.verdict,
            "flags": ";".join(flag.name for flag in face.flags),
            "verdict_without_residual": verdict_without_residual(
                flag.name for flag in face.flags
            ),
        })
    return rows


def _measured_cells(face: FaceFindings) -> dict[str, float | None]:
    cells: dict[str, float | None] = {}
    for name, value in face.values.items():
        cells[name] = value.value
        cells[f"u_{name}"] = value.u
    depth: Value = face.values["cut_depth_fraction"]
    cells["cut_depth_low"], cells["cut_depth_high"] = depth.low, depth.high
    return cells


def write_roughness(findings: Findings, path: Path) -> None:
    """Write ``roughness.csv`` of a specimen."""
    rows = (
        {
            "image": face.image, "face": face.face, "zone": entry.zone, "basis": entry.basis,
            "parameter": entry.parameter, "value": entry.result.value, "u": entry.result.u,
            "unit": entry.result.unit, "filter": entry.filter,
            "nesting_index_um": entry.nesting_index_um,
            "evaluation_length_um": entry.evaluation_length_um, "standard": entry.standard,
            "note": "; ".join(dict.fromkeys(t for t in (entry.note, entry.result.reason) if t)),
        }
        for face in findings.faces for entry in face.roughness
    )
    write_table(path, ROUGHNESS_COLUMNS, rows)


def write_profiles(pictures: Iterable[ExaminedPicture], path: Path) -> None:
    """Write ``profiles.csv``: thickness, cut depth and ligament along each face."""
    rows = []
    for picture in pictures:
        for item in picture.faces:
            profiles = item.measures.profiles
            if profiles is None:
                continue
            for index in range(profiles.s.size):
                valid, lasered = bool(profiles.valid[index]), bool(profiles.lasered[index])
                rows.append({
                    "image": picture.name, "face": item.face.number,
                    "s": float(profiles.s[index]), "s_unit": profiles.unit,
                    "thickness": float(profiles.thickness[index]) if valid else None,
                    "u_thickness": float(profiles.u_thickness[index]) if valid else None,
                    "length_unit": profiles.unit,
                    "cut_depth_fraction": float(profiles.depth[index]) if valid else None,
                    "cut_depth_low": float(profiles.depth_low[index]) if lasered else None,
                    "cut_depth_high": float(profiles.depth_high[index]) if lasered else None,
                    "ligament": float(profiles.ligament[index]) if lasered else None,
                    "valid": valid, "lasered": lasered,
                })
    write_table(path, PROFILE_COLUMNS, rows)
