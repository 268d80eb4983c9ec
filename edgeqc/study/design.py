"""The design of a study, its settings, units, materials and blocks."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from edgeqc.quantity import FloatArray

Level = float | str

FACTOR_WORDS: Mapping[str, tuple[str, str]] = {
    "pulse_energy_uj": ("pulse energy", "µJ"),
    "spot_separation_um": ("spot separation", "µm"),
    "line_separation_um": ("line separation", "µm"),
    "areal_dose_j_cm2": ("areal dose", "J/cm²"),
    "accelerating_voltage_kv": ("accelerating voltage", "kV"),
}
"""Column -> words and unit; other columns go by their own name."""

DOSE_COLUMNS = ("pulse_energy_uj", "spot_separation_um", "line_separation_um")


@dataclass(frozen=True)
class Factor:
    """A column of the sheet that takes at least two values over the units.

    Parameters
    ----------
    name, label, unit : str
        Column, words, unit of the levels.
    levels : tuple of float or str
        In order.
    separable : bool
        Whether its effect can be told from those of the other factors.
    partners : tuple of str
        Factors that it changes together with where it cannot.
    """

    name: str
    label: str
    unit: str
    levels: tuple[Level, ...]
    separable: bool = True
    partners: tuple[str, ...] = ()

    @property
    def numeric(self) -> bool:
        """Whether the levels are numbers."""
        return all(isinstance(level, float) for level in self.levels)


@dataclass(frozen=True)
class Arm:
    """One setting within one material.

    Parameters
    ----------
    label : str
        Setting in words, by what varies: ``8 µJ at 3 × 6 µm``.
    levels : mapping of str to float or str
        Column -> level, over all columns of settings.
    material : str
        Material, or empty where the sheet names none.
    dose : float
        Areal dose in J/cm²; ``nan`` where the sheet does not give all three settings.
    units, faces : int
        Units and faces that take part.
    tested : bool
        Whether it has units enough for a test.
    """

    label: str
    levels: Mapping[str, Level]
    material: str
    dose: float
    units: int
    faces: int
    tested: bool


@dataclass(frozen=True)
class Block:
    """A column that may disturb the comparison.

    Parameters
    ----------
    name : str
        Column.
    levels : tuple of str
        Values over the units.
    relation : {"crossed", "confounded", "within units"}
        How it stands to the settings.
    adjusted : bool
        Whether the comparison is adjusted for it.
    """

    name: str
    levels: tuple[str, ...]
    relation: str
    adjusted: bool


@dataclass(frozen=True)
class Design:
    """The design of a study.

    Parameters
    ----------
    unit : {"lens", "specimen"}
        What counts as one.
    factors : tuple of Factor
        Columns of settings that vary.
    fixed : tuple of (str, str)
        Columns of settings that do not, with their value.
    arms : tuple of Arm
        Settings within materials, in order of dose or levels.
    materials : tuple of str
        Materials met, empty names included.
    missing : tuple of str
        Cells of the crossing of the factors that no unit fills, in words.
    blocks : tuple of Block
        Columns that may disturb.
    counts : mapping of str to int
        ``faces``, ``taking part``, ``review``, ``rejected``, ``no setting``, ``two settings``.
    notes : tuple of str
        Plain sentences on what was met.
    obstacle : str
        Why no comparison can be made; empty where one can.
    """

    unit: str
    factors: tuple[Factor, ...]
    fixed: tuple[tuple[str, str], ...]
    arms: tuple[Arm, ...]
    materials: tuple[str, ...]
    missing: tuple[str, ...]
    blocks: tuple[Block, ...]
    counts: Mapping[str, int]
    notes: tuple[str, ...]
    obstacle: str = ""

    def strata(self) -> dict[str, list[int]]:
        """Material -> indices of its arms."""
        found: dict[str, list[int]] = {}
        for index, arm in enumerate(self.arms):
            found.setdefault(arm.material, []).append(index)
        return found


def words_of(column: str) -> tuple[str, str]:
    """Return a column's words and unit."""
    return FACTOR_WORDS.get(column, (column.replace("_", " "), ""))


def setting_label(levels: Mapping[str, Level], varying: Sequence[str] = ()) -> str:
    """Return a setting in words: energy first, then the separations.

    Parameters
    ----------
    levels : mapping of str to float or str
        Column -> level.
    varying : sequence of str
        Columns to name; all of them where none is given.
    """
    parts, left = [], {name: level for name, level in levels.items()
                       if not varying or name in varying}
    energy = left.pop("pulse_energy_uj", None)
    if energy is not None:
        parts.append(f"{shown(energy)} µJ")
    spot, line = left.pop("spot_separation_um", None), left.pop("line_separation_um", None)
    if spot is not None and line is not None:
        parts.append(f"{shown(spot)} × {shown(line)} µm")
    elif spot is not None:
        parts.append(f"{shown(spot)} µm spots")
    elif line is not None:
        parts.append(f"{shown(line)} µm lines")
    for name, level in left.items():
        label, unit = words_of(name)
        parts.append(f"{label} {shown(level)} {unit}".strip())
    # without commas, so that settings can be listed in a sentence
    return " at ".join(parts[:2]) + "".join(f" and {part}" for part in parts[2:])


def shown(level: Level) -> str:
    """Return a level as text, numbers without needless digits."""
    return f"{level:g}" if isinstance(level, float) else level


def areal_dose(levels: Mapping[str, Level]) -> float:
    """Return the areal dose in J/cm², pulse energy over spot times line separation.

    Examples
    --------
    >>> round(areal_dose({"pulse_energy_uj": 8.0, "spot_separation_um": 3.0,
    ...                   "line_separation_um": 6.0}), 3)
    44.444
    """
    values = [levels.get(name) for name in DOSE_COLUMNS]
    numbers = [value for value in values if isinstance(value, float) and value > 0]
    if len(numbers) < len(values):
        return math.nan
    # 1 µJ/µm² is 100 J/cm²
    return 100.0 * numbers[0] / (numbers[1] * numbers[2])


def dummies(labels: Sequence[object]) -> FloatArray:
    """Return a column of 0 and 1 for each distinct label, in order, shape (n, levels)."""
    text = np.asarray([str(label) for label in labels])
    return np.asarray(text[:, None] == np.unique(text)[None], dtype=np.float64)
