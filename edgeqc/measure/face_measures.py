"""Everything measured on one cut face, gathered."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from edgeqc.flags import Raised
from edgeqc.measure.roughness_row import RoughnessRow
from edgeqc.quantity import BoolArray, FloatArray, Measured


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


