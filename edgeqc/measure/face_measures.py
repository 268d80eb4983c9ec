"""Everything measured on one cut face, gathered."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Literal

import numpy as np

from edgeqc.faces.face import CutFace
from edgeqc.flags import Raised, raised
from edgeqc.imaging.image import CalibratedImage
from edgeqc.measure.cut_depth import CutDepthMeasures, CutDepthSettings, measure_cut_depth
from edgeqc.measure.height_map import HeightMap
from edgeqc.measure.roughness_row import RoughnessRow
from edgeqc.measure.thickness import (
    ThicknessMeasures,
    ThicknessSettings,
    measure_thickness,
    station_values,
)
from edgeqc.quantity import COVERAGE_FACTOR, BoolArray, FloatArray, Measured, Profile
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
        Unit of every length: pixels where the picture has no scale.
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


@dataclass(frozen=True)
class FaceMeasures:
    """The measures of one cut face.

    Parameters
    ----------
    values : mapping of str to Measured
        Measurand (see ``MEASURANDS``) -> value; a measurand that could not be had is missing.
    reasons : mapping of str to str
        Measurand -> why it could not be had.
    profiles : FaceProfiles or None
        Along the face; None where neither edge could be used.
    roughness : tuple of RoughnessRow
        Roughness by zone and basis.
    flags : tuple of Raised
        Doubts about the face, its zones and its measures.
    """

    values: Mapping[str, Measured]
    reasons: Mapping[str, str]
    profiles: FaceProfiles | None
    roughness: tuple[RoughnessRow, ...] = ()
    flags: tuple[Raised, ...] = ()




@dataclass(frozen=True)
class MeasureSettings:
    """Settings of every measurand of a face.

    Parameters
    ----------
    thickness : ThicknessSettings
        Choices behind the thickness.
    cut_depth : CutDepthSettings
        Choices behind the cut depth.
    """

    thickness: ThicknessSettings = field(default_factory=ThicknessSettings)
    cut_depth: CutDepthSettings = field(default_factory=CutDepthSettings)


def measure_face(
    image: CalibratedImage,
    face: CutFace,
    zones: ZoneMap,
    settings: MeasureSettings | None = None,
    *,
    height_map: HeightMap | None = None,
) -> FaceMeasures:
    """Return everything measured on one cut face.

    Parameters
    ----------
    image : CalibratedImage
        The picture.
    face : CutFace
        The face, its anterior side settled.
    zones : ZoneMap
        Its zone map.
    settings : MeasureSettings, optional
        Settings of every measurand.
    height_map : HeightMap, optional
        Heights of the picture's field.

    Returns
    -------
    FaceMeasures
        What could not be had is missing from ``values`` and has its reason in ``reasons``.

    References
    ----------
    Each measurand's own module names its standard or paper.
    """
    settings = settings or MeasureSettings()
    thickness = measure_thickness(image, face, settings.thickness)
    depth = measure_cut_depth(image, face, zones, settings.cut_depth)
    values, reasons = _length_values(image, thickness, depth)
    flags = list(thickness.flags)
    if depth.fraction is None and depth.laser_length_fraction is not None:
        flags.append(raised("no_laser_zone"))
    known = {item.name for item in zones.flags}
    return FaceMeasures(
        values=MappingProxyType(values),
        reasons=MappingProxyType(reasons),
        profiles=face_profiles(thickness.profile, depth.profile, zones),
        flags=tuple(item for item in flags if item.name not in known),
    )


def _length_values(
    image: CalibratedImage, thickness: ThicknessMeasures, depth: CutDepthMeasures
) -> tuple[dict[str, Measured], dict[str, str]]:
    """Give thickness, depth and zone shares by measurand, and why any of them is missing."""
    had: dict[str, Measured | None] = {
        "thickness_um": thickness.mean,
        "thickness_min_um": thickness.minimum,
        "thickness_max_um": thickness.maximum,
        "cut_depth_fraction": depth.fraction,
        "cut_depth_min": depth.minimum,
        "cut_depth_nine_point": depth.nine_point,
        "cut_depth_area_fraction": depth.area_fraction,
        "laser_length_fraction": depth.laser_length_fraction,
        "through_cut_fraction": depth.through_cut_fraction,
        "ligament_um": depth.ligament,
        "ligament_max_um": depth.ligament_max,
        **{f"{zone}_area_fraction": share for zone, share in depth.area_fractions.items()},
    }
    edges = bool(thickness.profile.valid.any())
    why = {}
    for name, value in had.items():
        if value is not None:
            continue
        if not edges:
            why[name] = "no stretch of the face has both edges in the picture"
        elif name.endswith("_um") and image.pixel_size_um is None:
            why[name] = "no pixel size is known"
        elif depth.laser_length_fraction is None:
            why[name] = "every stretch is obscured or lacks an edge"
        else:
            why[name] = "no laser zone was found"
    return {name: value for name, value in had.items() if value is not None}, why


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
