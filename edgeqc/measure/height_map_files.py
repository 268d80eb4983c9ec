"""Height maps as files: float TIFF with a side file, ISO 25178-72 and ISO 25178-71.

In the two standard formats y grows with the row of the matrix and the axes are right-handed, with
heights outwards; a picture's rows grow downwards. Rows are therefore turned over on the way in
and out, so that the map keeps its handedness in a program that follows the standards.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
import sdfio
import tifffile
import x3pio

from edgeqc import __version__
from edgeqc.errors import HeightMapError, OutputError
from edgeqc.flags import raised
from edgeqc.measure.height_map import HeightMap
from edgeqc.quantity import FloatArray

SUFFIXES = (".tif", ".tiff", ".x3p", ".sdf")
"""File names that a height map may have."""

SMALLEST_SPACING_UM, LARGEST_SPACING_UM = 1e-4, 1e3
"""Spacings outside are no micrograph's: the unit of the file is wrong."""

LEAST_POINTS = 9
"""A map of a cut face has at least this many rows and columns: less is a profile or a strip."""

_SIDE_KIND = "edgeqc height map"
_METRE_UM = 1e6


def read_height_map(
    path: str | Path, *, spacing_um: tuple[float, float] | None = None
) -> HeightMap:
    """Return the height map held by a file.

    Parameters
    ----------
    path : str or Path
        ``.tif``/``.tiff`` (floating-point heights in µm, with a ``.json`` side file of the same
        name), ``.x3p`` (ISO 25178-72), ``.sdf`` (ISO 25178-71).
    spacing_um : (row, col), optional
        Spacing in µm for a TIFF that has no side file.

    Returns
    -------
    HeightMap
        With ``nan`` where the file has no height. Height noise is ``nan`` (not known) unless the
        side file tells it.

    Raises
    ------
    HeightMapError
        Where the file cannot be read, holds no surface, or its spacing is impossible.

    References
    ----------
    ISO 25178-72:2017 and Amd 1:2020; ISO 25178-71:2017.
    """
    file = Path(path)
    readers: dict[str, Callable[[Path], tuple[FloatArray, tuple[float, float], dict[str, Any]]]]
    readers = {".x3p": _read_x3p, ".sdf": _read_sdf}
    suffix = file.suffix.lower()
    if suffix not in SUFFIXES:
        raise HeightMapError(
            f"a file ending in {suffix or 'nothing'} is not a height map", file=file.name,
            rule=f"the ending is one of {', '.join(SUFFIXES)}",
            remedy="export the map as one of them",
        )
    if not file.is_file():
        raise HeightMapError("the height map file is not there", file=file.name,
                             remedy="check the sheet's column height_map")
    if suffix in readers:
        height_um, spacing, side = _guarded(readers[suffix], file)
    else:
        height_um, spacing, side = _read_tiff(file, spacing_um)
    return _checked(height_um, spacing, side, file.name)


def _guarded(reader: Callable[[Path], Any], file: Path) -> Any:
    try:
        return reader(file)
    except HeightMapError:
        raise
    except Exception as fault:  # decoders meet damage of every kind with errors of every kind
        raise HeightMapError(
            f"the height map cannot be read ({type(fault).__name__}: {fault})", file=file.name,
            rule="the file follows ISO 25178-72, ISO 25178-71 or TIFF",
            remedy="export the height map anew",
        ) from fault


def _read_x3p(file: Path) -> tuple[FloatArray, tuple[float, float], dict[str, Any]]:
    content = x3pio.read(file)
    if not isinstance(content, x3pio.Surface):
        raise HeightMapError(
            "the file holds a profile or a point cloud", file=file.name,
            rule="a height map is a surface on a regular grid", remedy="export it as a surface",
        )
    axes = (content.header.y, content.header.x)
    if any(axis.axis_type is not x3pio.AxisType.INCREMENTAL for axis in axes):
        raise HeightMapError(
            "the surface lies on an irregular grid", file=file.name,
            rule="a height map is a surface on a regular grid",
            remedy="resample it to even spacing and export it anew",
        )
    spacing = (axes[0].increment * _METRE_UM, axes[1].increment * _METRE_UM)
    height = np.asarray(content.layers[0].z, float)[::-1] * _METRE_UM
    return height, spacing, {"layers": len(content.layers)}


def _read_sdf(file: Path) -> tuple[FloatArray, tuple[float, float], dict[str, Any]]:
    content = sdfio.read(file)
    spacing = (content.header.y_scale * _METRE_UM, content.header.x_scale * _METRE_UM)
    return np.asarray(content.data, float)[::-1] * _METRE_UM, spacing, {}


def _read_tiff(
    file: Path, spacing_um: tuple[float, float] | None
) -> tuple[FloatArray, tuple[float, float], dict[str, Any]]:
    height = np.asarray(_guarded(tifffile.imread, file))
    if height.dtype.kind != "f":
        raise HeightMapError(
            f"the TIFF holds values of type {height.dtype}", file=file.name,
            rule="heights are floating-point numbers in µm",
            remedy="export heights, not a picture of them",
        )
    side_file = file.with_suffix(".json")
    side: dict[str, Any] = _guarded(_read_side, side_file) if side_file.is_file() else {}
    if side:
        spacing_um = (side["spacing_row_um"], side["spacing_col_um"])
    if spacing_um is None:
        raise HeightMapError(
            "the spacing of the height map is not known", file=file.name,
            rule=f"a TIFF has a side file {side_file.name} with spacing_row_um and spacing_col_um",
            remedy="write that file, or give the map in a format that holds its spacing",
        )
    return height.astype(float), spacing_um, side


def _read_side(file: Path) -> dict[str, Any]:
    side = json.loads(file.read_text(encoding="utf-8"))
    wanted = ("spacing_row_um", "spacing_col_um")
    if not isinstance(side, dict) or not all(
        isinstance(side.get(key), int | float) and not isinstance(side.get(key), bool)
        for key in wanted
    ):
        raise HeightMapError(
            "the side file does not give the spacing", file=file.name,
            rule="it is a JSON object with the numbers spacing_row_um and spacing_col_um",
            remedy="write both in µm",
        )
    return side


def _checked(
    height: FloatArray, spacing: tuple[float, float], side: dict[str, Any], name: str
) -> HeightMap:
    if height.ndim != 2 or min(height.shape) < LEAST_POINTS:
        raise HeightMapError(
            f"the height map has shape {height.shape}", file=name,
            rule=f"it has one layer and at least {LEAST_POINTS} rows and columns",
            remedy="export an areal map of the face",
        )
    if not all(
        math.isfinite(step) and SMALLEST_SPACING_UM <= step <= LARGEST_SPACING_UM
        for step in spacing
    ):
        raise HeightMapError(
            f"the spacing of the height map is {spacing[0]:g} and {spacing[1]:g} µm", file=name,
            rule=f"it lies between {SMALLEST_SPACING_UM:g} and {LARGEST_SPACING_UM:g} µm",
            remedy="check the unit of length of the export",
        )
    height = np.where(np.isfinite(height), height, np.nan)
    known = np.isfinite(height)
    if not known.any():
        raise HeightMapError("the height map is all gap", file=name, remedy="check the export")
    if float(np.ptp(height[known])) == 0:
        raise HeightMapError("the height map is constant", file=name,
                             rule="a measured surface has relief", remedy="check the export")
    sigma = side.get("sigma_z_rms_um")
    sigma = float(sigma) if isinstance(sigma, int | float) else math.nan
    scale = side.get("u_scale_rel")
    lateral = side.get("u_spacing_rel")
    flags = () if math.isfinite(sigma) else (raised("height_noise_unknown"),)
    return HeightMap(
        height, (float(spacing[0]), float(spacing[1])),
        np.where(known, sigma, np.nan),
        float(scale) if isinstance(scale, int | float) else 0.0, name, flags,
        u_spacing_rel=float(lateral) if isinstance(lateral, int | float) else 0.0,
    )


def write_height_map(
    height_map: HeightMap, path: str | Path, *, when: datetime | None = None
) -> tuple[Path, ...]:
    """Write a height map and return the files written.

    Parameters
    ----------
    height_map : HeightMap
        The map.
    path : str or Path
        ``.tif`` (32-bit float, µm, with a ``.json`` side file), ``.x3p`` or ``.sdf``.
    when : datetime, optional
        Date put into the standard formats, which ask for one; by default the present.

    Raises
    ------
    OutputError
        Where the file cannot be written.

    References
    ----------
    ISO 25178-72:2017 and Amd 1:2020; ISO 25178-71:2017.
    """
    file = Path(path)
    suffix = file.suffix.lower()
    try:
        if suffix in (".tif", ".tiff"):
            return _write_tiff(height_map, file)
        if suffix == ".x3p":
            return _write_x3p(height_map, file, when)
        if suffix == ".sdf":
            return _write_sdf(height_map, file, when)
    except (OSError, x3pio.X3pError, sdfio.SdfError) as fault:
        raise OutputError(f"the height map cannot be written ({fault})", file=file.name,
                          remedy="check the folder and its free space") from fault
    raise OutputError(
        f"a height map cannot be written as {suffix or 'a file without an ending'}",
        file=file.name, rule=f"the ending is one of {', '.join(SUFFIXES)}",
    )


def _write_tiff(height_map: HeightMap, file: Path) -> tuple[Path, ...]:
    tifffile.imwrite(
        file, height_map.height_um.astype(np.float32), compression="zlib", photometric="minisblack",
        software=f"edgeqc {__version__}", metadata=None,
    )
    sigma = height_map.sigma_z_rms_um
    side = {
        "kind": _SIDE_KIND,
        "software": f"edgeqc {__version__}",
        "height_unit": "µm",
        "spacing_row_um": height_map.spacing_um[0],
        "spacing_col_um": height_map.spacing_um[1],
        "u_spacing_rel": height_map.u_spacing_rel,
        "u_scale_rel": height_map.u_scale_rel,
        "u_scale_rel_budget": dict(height_map.scale.budget),
        "u_transfer_rel": height_map.u_transfer_rel,
        "sigma_z_rms_um": sigma if math.isfinite(sigma) else None,
        "source": height_map.source,
        "flags": [flag.name for flag in height_map.flags],
    }
    side_file = file.with_suffix(".json")
    side_file.write_text(json.dumps(side, ensure_ascii=False, indent=2) + "\n", encoding="utf-8")
    return file, side_file


def _upside_down_m(height_map: HeightMap) -> FloatArray:
    return np.ascontiguousarray(height_map.height_um[::-1]) / _METRE_UM


def _write_x3p(height_map: HeightMap, file: Path, when: datetime | None) -> tuple[Path, ...]:
    metadata = x3pio.Metadata.for_software("edgeqc", __version__, date=when)
    x3pio.write(
        file, _upside_down_m(height_map), x_scale=height_map.spacing_um[1] / _METRE_UM,
        y_scale=height_map.spacing_um[0] / _METRE_UM, metadata=metadata,
    )
    return (file,)


def _write_sdf(height_map: HeightMap, file: Path, when: datetime | None) -> tuple[Path, ...]:
    date: datetime | Any = "now" if when is None else when
    metadata = sdfio.Metadata(manufacturer_id="edgeqc", create_date=date, mod_date=date)
    sdfio.write(
        file, _upside_down_m(height_map), x_scale=height_map.spacing_um[1] / _METRE_UM,
        y_scale=height_map.spacing_um[0] / _METRE_UM, metadata=metadata,
    )
    return (file,)
