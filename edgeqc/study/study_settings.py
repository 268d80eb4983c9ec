"""Settings of a study: what a laboratory fixes before it looks at its results."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

Direction = Literal["higher", "lower", "near zero", "none"]


@dataclass(frozen=True)
class DesignSettings:
    """How the design is read from the table of faces.

    Parameters
    ----------
    factors : tuple of str
        Columns whose combinations make the settings compared.
    material : str
        Column of the lens material; settings are compared within each material, never over
        materials.
    blocks : tuple of str
        Columns that the comparison is adjusted for where they are crossed with the settings.
    conditions : tuple of str
        Columns of the preparation and the microscope that are only watched: where one changes
        together with the settings, no difference is put down to the settings.
    unit : {"auto", "lens", "specimen"}
        What counts as one: the lens where the sheet names lenses, else the specimen.
    min_units_per_arm : int
        Arms with fewer units are shown and not tested.
    verdicts : tuple of str
        Verdicts of the faces that take part.
    """

    factors: tuple[str, ...] = ("pulse_energy_uj", "spot_separation_um", "line_separation_um")
    material: str = "material"
    blocks: tuple[str, ...] = ("session", "operator", "microscope")
    conditions: tuple[str, ...] = ("coating", "drying", "accelerating_voltage_kv")
    unit: Literal["auto", "lens", "specimen"] = "auto"
    min_units_per_arm: int = 3
    verdicts: tuple[str, ...] = ("measured",)

    def __post_init__(self) -> None:
        if self.min_units_per_arm < 3:
            raise ValueError(
                f"min_units_per_arm is {self.min_units_per_arm}; no p-value is given below 3"
                " units per arm, so that it cannot be set lower")
        if not self.factors:
            raise ValueError("factors is empty; name at least one column of settings")


@dataclass(frozen=True)
class ResponseSettings:
    """What is compared, and what would matter.

    Parameters
    ----------
    measurands : tuple of str
        Columns of the table of faces, or ``spot_separation_error`` and
        ``line_separation_error`` (measured over set, minus 1).
    roughness : tuple of str
        ``zone/basis/parameter`` rows of the tables of roughness; bases are never pooled.
    primary : str
        The response that decides which setting does best.
    better : mapping of str to {"higher", "lower", "near zero", "none"}
        Which way is better; ``none`` where not named.
    margin : mapping of str to float
        Largest difference that does not matter, for the test of equivalence.
    worthwhile : mapping of str to float
        Difference that a next experiment should be able to find.
    target : mapping of str to float
        Value for which the dose is sought on the dose-response curve.
    """

    measurands: tuple[str, ...] = (
        "cut_depth_fraction", "through_cut_fraction", "ligament_um", "spot_separation_error",
        "line_separation_error", "debris_count",
    )
    roughness: tuple[str, ...] = (
        "laser/edge contour/Rq", "scissor/edge contour/Rq", "torn/edge contour/Rq",
        "laser/height map/Sq", "scissor/height map/Sq", "torn/height map/Sq",
    )
    primary: str = "cut_depth_fraction"
    better: Mapping[str, Direction] = field(default_factory=lambda: {
        "cut_depth_fraction": "higher", "through_cut_fraction": "higher", "ligament_um": "lower",
        "spot_separation_error": "near zero", "line_separation_error": "near zero",
        "debris_count": "lower", "laser/edge contour/Rq": "lower", "laser/height map/Sq": "lower",
    })
    margin: Mapping[str, float] = field(default_factory=lambda: {
        "cut_depth_fraction": 0.05, "through_cut_fraction": 0.10, "ligament_um": 30.0,
        "spot_separation_error": 0.05, "line_separation_error": 0.05,
        "laser/edge contour/Rq": 0.5, "laser/height map/Sq": 0.5,
    })
    worthwhile: Mapping[str, float] = field(default_factory=lambda: {
        "cut_depth_fraction": 0.05, "through_cut_fraction": 0.10, "ligament_um": 30.0,
        "spot_separation_error": 0.05, "line_separation_error": 0.05, "debris_count": 2.0,
        "laser/edge contour/Rq": 0.5, "laser/height map/Sq": 0.5,
    })
    target: Mapping[str, float] = field(default_factory=lambda: {"cut_depth_fraction": 0.85})

    def __post_init__(self) -> None:
        for name, value in (*self.margin.items(), *self.worthwhile.items()):
            if not value > 0:
                raise ValueError(f"the margin or worthwhile difference of {name} is {value};"
                                 " it must be greater than 0")
        for entry in self.roughness:
            if entry.count("/") != 2:
                raise ValueError(f"roughness entry {entry!r} is not zone/basis/parameter")
        if self.primary not in (*self.measurands, *self.roughness):
            raise ValueError(f"primary is {self.primary!r}, which is not among the responses")


@dataclass(frozen=True)
class ModelSettings:
    """How differences are judged.

    Parameters
    ----------
    alpha : float
        Level of the tests; intervals hold 1 − alpha.
    spread : {"by arm", "common"}
        Whether each arm's spread is judged by itself (holds the level where spreads differ) or
        one spread is taken for all.
    multiplicity : {"holm"}
        Allowance for the number of responses.
    permutations, bootstrap_draws : int
        Random arrangements and draws.
    seed : int
        Start of the random numbers: the same table gives the same report.
    outlier_distance : float
        Robust distance (in standard deviations) beyond which a unit is pointed out.
    """

    alpha: float = 0.05
    spread: Literal["by arm", "common"] = "by arm"
    multiplicity: Literal["holm"] = "holm"
    permutations: int = 9999
    bootstrap_draws: int = 9999
    seed: int = 20211
    outlier_distance: float = 3.5

    def __post_init__(self) -> None:
        if not 0 < self.alpha < 0.5:
            raise ValueError(f"alpha is {self.alpha}; it must lie between 0 and 0.5")


@dataclass(frozen=True)
class PlanningSettings:
    """What the next experiment should be able to find.

    Parameters
    ----------
    power : tuple of float
        Probabilities of detection to plan for.
    faces_per_unit : tuple of int
        Numbers of faces per unit that the table shows.
    max_units_per_arm : int
        Plans beyond this are called out of reach.
    """

    power: tuple[float, ...] = (0.8, 0.9)
    faces_per_unit: tuple[int, ...] = (1, 3, 6)
    max_units_per_arm: int = 200

    def __post_init__(self) -> None:
        if any(not 0 < value < 1 for value in self.power):
            raise ValueError(f"power is {self.power}; each must lie between 0 and 1")


@dataclass(frozen=True)
class StudySettings:
    """All settings of a study, one record per table of ``pipelines/settings.toml``."""

    design: DesignSettings = field(default_factory=DesignSettings)
    responses: ResponseSettings = field(default_factory=ResponseSettings)
    model: ModelSettings = field(default_factory=ModelSettings)
    planning: PlanningSettings = field(default_factory=PlanningSettings)
