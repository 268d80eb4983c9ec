"""Under what conditions profile roughness holds, and what departs from a default setting."""

from __future__ import annotations

import math

from edgeqc.measure.noise_taken_out import ALL_NOISE, ELEMENTS_OF_NOISE
from edgeqc.measure.profile_band import FILTER_TITLES, Band, Kind
from edgeqc.measure.roughness_result import NO_TRANSITION, Conditions
from edgeqc.measure.roughness_symbols import PROFILE_STANDARD
from edgeqc.measure.section_lengths import SETTING_CLASSES, Sections


def profile_conditions(
    kind: Kind, nesting: float | None, band: Band, sections: Sections
) -> Conditions:
    """Return the conditions of a profile's values, with every departure from a default setting.

    Parameters
    ----------
    kind : {"R", "P", "W"}
        Kind of profile.
    nesting : float or None
        Nesting index of the L-filter in µm.
    band : Band
        Form, S-filter, kind of L-filter, end treatment.
    sections : Sections
        Sections of the evaluation length.

    References
    ----------
    ISO 21920-3:2021, default settings (S-filter of the classes from memory).
    """
    filtered = kind != "P" and nesting is not None
    ends_matter = (filtered and band.filter == "Gaussian") or band.short_nesting_index_um
    note = sections.note if kind == "R" else ""
    if kind == "R" and not filtered:
        note = _non_default(note, "no L-filter was applied")
    elif kind == "R" and sections.setting_class:
        given = SETTING_CLASSES[sections.setting_class]
        if band.short_nesting_index_um != given.short_nesting_index_um:
            had = band.short_nesting_index_um
            note = _non_default(
                note, f"{f'S-filter of {had:g} µm' if had else 'no S-filter'}, where class"
                f" {given.name} has one of {given.short_nesting_index_um:g} µm"
            )
    return Conditions(
        kind=kind,
        filter=FILTER_TITLES[band.filter] if filtered else "none",
        nesting_index_um=nesting if filtered else None,
        short_nesting_index_um=band.short_nesting_index_um,
        end_treatment=band.ends_title if ends_matter else "",
        form=band.form,
        section_length_um=sections.section_length_um,
        evaluation_length_um=sections.evaluation_length_um,
        standard=PROFILE_STANDARD,
        note=note,
    )


def _non_default(note: str, reason: str) -> str:
    return f"{note}; {reason}" if note else f"non-default: {reason}"


def why_not_had(name: str, value: float, noise: float = 0.0) -> str:
    """Return why a parameter of a profile has no value, or nothing; ``noise``: its noise share.

    References
    ----------
    ISO 21920-2:2021 (profile elements).
    """
    if name[1:] == "mq" and math.isnan(value):
        return NO_TRANSITION
    if name[1:] == "Sm" and math.isnan(value) and noise > 0:
        return ELEMENTS_OF_NOISE
    if name[1:] in ("Sm", "c") and math.isnan(value):
        return "no complete profile element"
    return ALL_NOISE if math.isnan(value) else ""
