"""Thickness, cut depth and ligament along a face, on one grid."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np

from edgeqc.measure.thickness import station_values
from edgeqc.quantity import COVERAGE_FACTOR, BoolArray, FloatArray, Profile
from edgeqc.zoning.zones import ZoneMap


@dataclass(frozen=True)
class FaceProfiles:
    """Thickness, cut depth and ligament along the face, on one common grid.

    Parameters
    ----------
    s : (n,) float array
        Position along the face, in ``unit``.
    thickness, u_thickness : (n,) float arrays
        Local thickness and its standard uncertainty, in ``unit``.
    depth : (n,) float array
        Depth of the laser zone as a fraction of the local thickness; 0 where there is none.
    depth_low, depth_high : (n,) float arrays
        95 % interval of ``depth``.
    ligament : (n,) float array
        Thickness minus laser depth, in ``unit``.
    valid : (n,) bool array
        Where thickness may be used.
    lasered : (n,) bool array
        Where the laser zone is present and the depth may be used.
    unit : {"µm", "px"}
        Unit of every length: pixels of the file where the picture has no scale.
    """

    s: FloatArray
    thickness: FloatArray
    u_thickness: FloatArray
    depth: FloatArray
    depth_low: FloatArray
    depth_high: FloatArray
    ligament: FloatArray
    valid: BoolArray
    lasered: BoolArray
    unit: Literal["µm", "px"]


def face_profiles(thickness: Profile, depth: Profile, zones: ZoneMap) -> FaceProfiles:
    """Return thickness, depth and ligament on the zone map's columns.

    Parameters
    ----------
    thickness : Profile
        Local thickness at the face's chords.
    depth : Profile
        d/t at the zone map's columns; valid where a laser zone is present.
    zones : ZoneMap
        Gives the model's own doubt of the depth.

    Notes
    -----
    The pointwise interval is d ± 2u with u the spread of the border's posterior draws and the
    model's calibrated doubt in quadrature, kept within 0..1.

    References
    ----------
    JCGM 100:2008, 5.1.2.
    """
    columns = depth.value.size
    span, complete = station_values(thickness, columns)
    u_span = np.full(columns, float(thickness.u[0]) if thickness.u.size else math.nan)
    half = COVERAGE_FACTOR * np.hypot(depth.u, zones.depth_u_model)
    return FaceProfiles(
        s=depth.s_um,
        thickness=span,
        u_thickness=u_span,
        depth=depth.value,
        depth_low=np.clip(depth.value - half, 0.0, 1.0),
        depth_high=np.clip(depth.value + half, 0.0, 1.0),
        ligament=span * (1.0 - depth.value),
        valid=complete,
        lasered=depth.valid,
        unit="µm" if thickness.unit == "µm" else "px",
    )
