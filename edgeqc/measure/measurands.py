"""The register of a face's measurands: name, title and unit of every value that a table may hold.

The names are the columns of ``faces.csv``; the order is that of the tables.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType


@dataclass(frozen=True)
class Measurand:
    """One measurand of a face.

    Parameters
    ----------
    name : str
        Column name, with its unit where it has one.
    title : str
        What a reader calls it.
    unit : str
        ``"µm"``, ``"1"``, ``"deg"``.
    definition : str
        One plain sentence.
    fraction : bool
        True where the value lies in 0..1 and is printed as a fraction.
    """

    name: str
    title: str
    unit: str
    definition: str
    fraction: bool = False


_ALL = (
    Measurand("thickness_um", "Thickness, mean", "µm",
              "Mean of the local thickness t(s) between the anterior and the posterior edge."),
    Measurand("thickness_min_um", "Thickness, least", "µm", "Smallest local thickness."),
    Measurand("thickness_max_um", "Thickness, greatest", "µm", "Greatest local thickness."),
    Measurand("cut_depth_fraction", "Cut depth", "1",
              "Mean of laser depth over local thickness, d(s)/t(s), where the laser zone is"
              " present.", True),
    Measurand("cut_depth_min", "Cut depth, least", "1", "Smallest d(s)/t(s).", True),
    Measurand("cut_depth_nine_point", "Cut depth, nine points", "1",
              "Nine evenly spaced readings, the two ends weighted half.", True),
    Measurand("cut_depth_area_fraction", "Cut depth by area", "1",
              "Area of the laser zone over the face's area, where the laser zone is present.",
              True),
    Measurand("laser_length_fraction", "Lasered length", "1",
              "Share of the measured length where the laser zone is present.", True),
    Measurand("through_cut_fraction", "Cut through", "1",
              "Share of the lasered length with d/t of 0.99 or more.", True),
    Measurand("ligament_um", "Ligament, mean", "µm",
              "Mean of thickness minus laser depth over the lasered length."),
    Measurand("ligament_max_um", "Ligament, greatest", "µm", "Greatest t(s) − d(s)."),
    Measurand("laser_area_fraction", "Laser zone", "1",
              "Share of the face's area that the laser cut.", True),
    Measurand("scissor_area_fraction", "Scissor zone", "1",
              "Share of the face's area that scissors cut.", True),
    Measurand("torn_area_fraction", "Torn zone", "1",
              "Share of the face's area that was torn.", True),
    Measurand("obscured_area_fraction", "Obscured", "1",
              "Share of the face's area on which no zone can be told.", True),
    Measurand("spot_separation_measured_um", "Spot separation", "µm",
              "Distance between neighbouring spots along a line of the lattice."),
    Measurand("line_separation_measured_um", "Line separation", "µm",
              "Distance between neighbouring lines of the lattice."),
    Measurand("lattice_angle_deg", "Lattice angle", "deg",
              "Direction of the lattice's lines against the face's length."),
    Measurand("debris_count", "Debris", "1", "Number of pieces of debris on the face."),
    Measurand("debris_area_fraction", "Debris, area", "1",
              "Share of the face's area that debris covers.", True),
)

MEASURANDS: Mapping[str, Measurand] = MappingProxyType({item.name: item for item in _ALL})
"""Every measurand of a face by its name."""
