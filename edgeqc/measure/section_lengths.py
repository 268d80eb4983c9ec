"""Section lengths, evaluation length and setting classes of profile roughness."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from edgeqc.errors import MeasurementError

DEFAULT_SECTIONS = 5
"""Default number of section lengths in the evaluation length (ISO 21920-3:2021, table)."""

MIN_SAMPLES_PER_SECTION = 8
"""Fewest samples in which a section's highest and lowest point mean anything."""


_SHORT = (" needs ", "is of no setting class", "evaluation length is")


@dataclass(frozen=True)
class SettingClass:
    """A default setting class of profile roughness.

    Parameters
    ----------
    name : str
        ``"Sc1"`` to ``"Sc5"``.
    rz_limit_um, ra_limit_um : float
        The largest Rz and Ra that the class is for.
    nesting_index_um : float
        L-filter nesting index, equal to the section length.
    evaluation_length_um : float
        Five section lengths.
    short_nesting_index_um : float
        S-filter nesting index (from memory).
    largest_spacing_um : float
        Largest sampling interval (from memory).

    References
    ----------
    ISO 21920-3:2021, default settings.
    """

    name: str
    rz_limit_um: float
    ra_limit_um: float
    nesting_index_um: float
    evaluation_length_um: float
    short_nesting_index_um: float
    largest_spacing_um: float


SETTING_CLASSES: dict[str, SettingClass] = {
    item.name: item
    for item in (
        SettingClass("Sc1", 0.16, 0.02, 80.0, 400.0, 2.5, 0.5),
        SettingClass("Sc2", 0.8, 0.1, 250.0, 1250.0, 2.5, 0.5),
        SettingClass("Sc3", 16.0, 2.0, 800.0, 4000.0, 2.5, 0.5),
        SettingClass("Sc4", 80.0, 10.0, 2500.0, 12500.0, 8.0, 1.5),
        SettingClass("Sc5", math.inf, math.inf, 8000.0, 40000.0, 25.0, 5.0),
    )
}
"""Default setting classes (ISO 21920-3:2021; a picture has no stylus, so its pixel stands as the
lateral limit instead of a tip radius)."""


@dataclass(frozen=True)
class Sections:
    """How a profile is cut into section lengths.

    Parameters
    ----------
    starts : (sections + 1,) int array
        First sample of each section, and the sample after the last.
    section_length_um, evaluation_length_um : float
        In µm.
    setting_class : str
        Name of the class whose lengths these are, ``""`` where they are no class's default.
    note : str
        ``""`` for a default setting, else ``"non-default: ..."`` with the reason.
    """

    starts: NDArray[np.int64]
    section_length_um: float
    evaluation_length_um: float
    setting_class: str
    note: str

    @property
    def count(self) -> int:
        """Number of sections."""
        return int(self.starts.size - 1)


def setting_class_for(rz_um: float) -> SettingClass:
    """Return the default setting class for an expected Rz.

    References
    ----------
    ISO 21920-3:2021, default settings by Rz.

    Examples
    --------
    >>> setting_class_for(0.5).name
    'Sc2'
    """
    if not (math.isfinite(rz_um) and rz_um >= 0):
        raise MeasurementError(
            f"the expected Rz is {rz_um!r} µm",
            rule="A height is a finite number, zero or more.",
            remedy="Give the expected Rz in µm.",
        )
    return next(item for item in SETTING_CLASSES.values() if rz_um <= item.rz_limit_um)


def too_short(note: str) -> bool:
    """Tell from a note whether the profile is shorter than a default setting asks for.

    Other departures, of the spacing or the S-filter, do not come from its length.

    References
    ----------
    ISO 21920-3:2021, evaluation lengths.

    Examples
    --------
    >>> too_short("non-default: evaluation length is 2 section lengths, not 5")
    True
    """
    return any(words in note for words in _SHORT)


def longest_class_within(length_um: float) -> SettingClass | None:
    """Return the setting class with the longest evaluation length that fits, or None.

    References
    ----------
    ISO 21920-3:2021, evaluation lengths.

    Examples
    --------
    >>> longest_class_within(900.0).name
    'Sc1'
    """
    fitting = [c for c in SETTING_CLASSES.values() if c.evaluation_length_um <= length_um]
    return fitting[-1] if fitting else None


def plan_sections(
    samples: int,
    spacing_um: float,
    *,
    nesting_index_um: float | None = None,
    setting_class: str | None = None,
    section_count: int | None = None,
) -> Sections:
    """Return the sections of a profile by the rules of the standard.

    Parameters
    ----------
    samples : int
        Number of heights.
    spacing_um : float
        Sampling interval in µm.
    nesting_index_um : float, optional
        L-filter nesting index; the section length equals it.
    setting_class : str, optional
        ``"Sc1"`` to ``"Sc5"``: the evaluation length is that of the class, taken from the
        middle of the profile, or as many whole sections as fit.
    section_count : int, optional
        Cut the whole profile into that many equal sections instead; with no argument at all,
        five.

    Returns
    -------
    Sections

    Notes
    -----
    Rz, Rp and Rv are means over the sections; every other parameter is taken over the whole
    evaluation length. An evaluation length that is not five section lengths, or section lengths
    of no class, are allowed and said: the note starts with "non-default".

    References
    ----------
    ISO 21920-2:2021 (section and evaluation length); ISO 21920-3:2021 (defaults).
    """
    length = samples * spacing_um
    if setting_class is not None:
        if setting_class not in SETTING_CLASSES:
            raise MeasurementError(
                f"the setting class is {setting_class!r}",
                rule=f"Setting classes are {', '.join(SETTING_CLASSES)}.",
                remedy="Give one of these, or a nesting index.",
            )
        section = SETTING_CLASSES[setting_class].nesting_index_um
    elif nesting_index_um is not None:
        section = float(nesting_index_um)
    else:
        section = length / (section_count or DEFAULT_SECTIONS)
    fitting = int(length / section + 1e-9)
    wanted = section_count or (DEFAULT_SECTIONS if setting_class else fitting)
    count = min(wanted, fitting)
    if count < 1 or section / spacing_um < MIN_SAMPLES_PER_SECTION:
        raise MeasurementError(
            f"the profile is {length:g} µm long ({samples} heights), the section length"
            f" {section:g} µm",
            rule="At least one section length fits, and a section holds at least"
            f" {MIN_SAMPLES_PER_SECTION} heights.",
            remedy="Measure over a longer stretch, or choose a class with shorter sections.",
        )
    used = count * section / spacing_um
    first = max(0, round((samples - used) / 2))
    starts = first + np.rint(np.arange(count + 1) * section / spacing_um).astype(np.int64)
    starts = np.minimum(starts, samples)
    named = _class_of(section)
    return Sections(
        starts, section, count * section, named, _deviation(named, section, count, spacing_um)
    )


def _class_of(section_um: float) -> str:
    for item in SETTING_CLASSES.values():
        if math.isclose(item.nesting_index_um, section_um, rel_tol=1e-3):
            return item.name
    return ""


def _deviation(named: str, section_um: float, count: int, spacing_um: float) -> str:
    """Return why the setting is not a default one, or nothing."""
    reasons = []
    if not named:
        reasons.append(f"section length {section_um:.4g} µm is of no setting class")
    if count != DEFAULT_SECTIONS:
        reasons.append(f"evaluation length is {count} section lengths, not {DEFAULT_SECTIONS}")
    if named and spacing_um > SETTING_CLASSES[named].largest_spacing_um:
        largest = SETTING_CLASSES[named].largest_spacing_um
        reasons.append(f"spacing {spacing_um:.3g} µm is above {largest:g} µm")
    return "non-default: " + "; ".join(reasons) if reasons else ""
