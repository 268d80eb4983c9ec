"""Everything measured on one cut face, gathered."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

from edgeqc.faces.face import CutFace
from edgeqc.faces.raster import FaceRaster, face_raster, frame_coordinates
from edgeqc.flags import Raised, raised
from edgeqc.imaging.image import CalibratedImage
from edgeqc.measure.cut_depth import CutDepthMeasures, CutDepthSettings, measure_cut_depth
from edgeqc.measure.debris import DebrisSettings, measure_debris
from edgeqc.measure.face_profiles import FaceProfiles, face_profiles
from edgeqc.measure.grey_texture import GreyTextureSettings, grey_texture_rows
from edgeqc.measure.height_map import HeightMap
from edgeqc.measure.lattice import LatticeMeasures, LatticeSettings, lattice_of_mask
from edgeqc.measure.measurands import MEASURANDS
from edgeqc.measure.roughness_row import RoughnessRow
from edgeqc.measure.thickness import (
    ThicknessMeasures,
    ThicknessSettings,
    measure_thickness,
)
from edgeqc.measure.zone_roughness import ZoneRoughnessSettings, zone_roughness
from edgeqc.quantity import Measured
from edgeqc.zoning.zones import LASER, ZoneMap


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
    height_map : HeightMap, optional
        The heights as laid over the picture.
    raster : FaceRaster, optional
        The zones on the picture's pixels.
    """

    values: Mapping[str, Measured]
    reasons: Mapping[str, str]
    profiles: FaceProfiles | None
    roughness: tuple[RoughnessRow, ...] = ()
    flags: tuple[Raised, ...] = ()
    height_map: HeightMap | None = None
    raster: FaceRaster | None = None


@dataclass(frozen=True)
class MeasureSettings:
    """Settings of every measurand of a face.

    Parameters
    ----------
    thickness : ThicknessSettings
        Choices behind the thickness.
    cut_depth : CutDepthSettings
        Choices behind the cut depth.
    lattice : LatticeSettings
        When a lattice is claimed.
    roughness : ZoneRoughnessSettings
        Roughness from edge contours and height maps.
    grey_texture : GreyTextureSettings
        Texture of grey levels.
    debris : DebrisSettings
        What counts as a piece of debris.
    """

    thickness: ThicknessSettings = field(default_factory=ThicknessSettings)
    cut_depth: CutDepthSettings = field(default_factory=CutDepthSettings)
    lattice: LatticeSettings = field(default_factory=LatticeSettings)
    roughness: ZoneRoughnessSettings = field(default_factory=ZoneRoughnessSettings)
    grey_texture: GreyTextureSettings = field(default_factory=GreyTextureSettings)
    debris: DebrisSettings = field(default_factory=DebrisSettings)


def measure_face(
    image: CalibratedImage,
    face: CutFace,
    zones: ZoneMap,
    settings: MeasureSettings | None = None,
    *,
    height_map: HeightMap | None = None,
    set_lattice_um: tuple[float, float] | None = None,
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
    set_lattice_um : (spot, line), optional
        Separations that the laser was set to; they name what is measured and never change it.

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
    # the place of every pixel in the face's frame serves all that look at pixels
    shape = image.pixels.shape[0], image.pixels.shape[1]
    window = frame_coordinates(face, shape)
    raster = face_raster(face, zones.labels, window)
    labels = raster.in_picture(shape)
    lattice = lattice_of_mask(image, face, (labels == LASER) & image.valid,
                              set_um=set_lattice_um, settings=settings.lattice)
    rough = zone_roughness(
        image, face, zones, height_map=height_map, settings=settings.roughness)
    values, reasons = _length_values(image, thickness, depth)
    for name, item in _lattice_values(lattice).items():
        if item is None:
            key = name.replace("_separation_measured", "").removeprefix("lattice_")
            reasons[name] = lattice.reasons.get(key, "no lattice was found")
        else:
            values[name] = item
    debris = measure_debris(image, face, zones, settings.debris, window=window, raster=raster)
    for name, item in (("debris_count", debris.count),
                       ("debris_area_fraction", debris.area_fraction)):
        if item is None:
            reasons[name] = debris.reasons[name]
        else:
            values[name] = item
    grey = grey_texture_rows(
        image, face, zones, settings.grey_texture, window=window, labels=labels)
    flags = [
        *thickness.flags, *depth.flags, *lattice.flags, *rough.flags, *debris.flags
    ]
    if depth.fraction is None and depth.laser_length_fraction is not None:
        flags.append(raised("no_laser_zone"))
    known = {item.name for item in zones.flags}
    return FaceMeasures(
        values=MappingProxyType(values),
        reasons=MappingProxyType(reasons),
        profiles=face_profiles(thickness.profile, depth.profile, zones),
        roughness=(*rough.rows, *grey),
        flags=tuple(item for item in flags if item.name not in known),
        height_map=rough.height_map,
        raster=raster,
    )


def no_measures(reason: str) -> FaceMeasures:
    """Return the measures of a face that is of no use, with the reason for every measurand."""
    return FaceMeasures(MappingProxyType({}), MappingProxyType(dict.fromkeys(MEASURANDS, reason)),
                        None)


def _lattice_values(lattice: LatticeMeasures) -> dict[str, Measured | None]:
    """Give the lattice by measurand."""
    return {
        "spot_separation_measured_um": lattice.spot_um,
        "line_separation_measured_um": lattice.line_um,
        "lattice_angle_deg": lattice.angle_deg,
    }


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
            why[name] = "too little of the face has both edges in the picture"
        elif name.endswith("_um") and image.pixel_size_um is None:
            why[name] = "no pixel size is known"
        elif depth.laser_length_fraction is None:
            why[name] = "every stretch is obscured or lacks an edge"
        else:
            why[name] = "no laser zone was found"
    return {name: value for name, value in had.items() if value is not None}, why
