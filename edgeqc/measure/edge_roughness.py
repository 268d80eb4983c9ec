"""Roughness rows of the edge contours: profile parameters, and line-edge practice."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from edgeqc.errors import MeasurementError
from edgeqc.measure.edge_contour import EdgeContour
from edgeqc.measure.line_edge import LineEdge, line_edge_roughness
from edgeqc.measure.roughness import (
    Band,
    HeightDoubt,
    ProfileSettings,
    Roughness,
    roughness_profile,
)
from edgeqc.measure.roughness_row import RoughnessRow
from edgeqc.measure.section_lengths import (
    DEFAULT_SECTIONS,
    SETTING_CLASSES,
    longest_class_within,
    setting_class_for,
)
from edgeqc.quantity import Measured

LINE_EDGE_TITLES = {
    "Rq_biased": "Root mean square deviation of the edge, noise included",
    "Rq_unbiased": "Root mean square deviation of the edge, noise taken out",
    "Rq_endless": "Root mean square deviation of an endless edge",
    "three_sigma": "Three times the unbiased root mean square deviation",
    "correlation_length": "Correlation length of the edge",
    "exponent": "Roughness exponent of the edge",
    "noise": "Noise of the edge's position",
}
"""Line-edge figures by the names of `line_edge`; our names, since no current standard has them."""

ROUNDING = 1e-9
"""Deviations below this share of the length are rounding: the edge is a drawn line."""

LINE_EDGE_PRACTICE = "line-edge practice (SEMI P47-0307, inactive: scope only)"


def edge_rows(
    contour: EdgeContour, settings: ProfileSettings | None = None
) -> tuple[RoughnessRow, ...]:
    """Return the roughness rows of one edge contour.

    Parameters
    ----------
    contour : EdgeContour
        The contour, its form taken off.
    settings : ProfileSettings, optional
        How the parameters of ISO 21920-2 are taken.

    Returns
    -------
    tuple of RoughnessRow
        Line-edge figures, then ISO 21920-2 parameters; empty where the contour cannot carry any.

    Notes
    -----
    The edge's noise comes from the floor of its spectrum, about the noise that the picture
    predicts for a reading and of its grain, and is taken out of Rq. The setting
    class is the default one for the Rz found, where its evaluation length fits; otherwise the
    longest that fits, and else five sections of what there is, marked non-default.

    References
    ----------
    ISO 21920-2:2021, ISO 21920-3:2021; NIST 2005 and arXiv 2001.00433 (noise, levelling).
    """
    if not np.nanstd(contour.deviation_um) > ROUNDING * contour.length_um:
        return ()
    try:
        edge = line_edge_roughness(
            contour.deviation_um, contour.spacing_um, detrend=0,
            spacing_u_rel=contour.u_height_rel,
            noise_um=None if contour.noise_um is None else (contour.noise_um, contour.noise_u_rel),
            noise_correlation=contour.noise_correlation,
        )
    except MeasurementError:
        return ()  # constant, or too much of it unknown: the face's other rows stand
    rows = _line_edge_rows(contour, edge)
    profile = _profile(contour, edge, settings or ProfileSettings())
    return rows if profile is None else rows + _with_edge(profile, contour)


def _line_edge_rows(contour: EdgeContour, edge: LineEdge) -> tuple[RoughnessRow, ...]:
    how = "the tracer's line, which is smoothed; " if contour.noise_um is None else ""
    note = f"{contour.edge} edge; {contour.form}; {how}{edge.treatment}"
    return tuple(
        RoughnessRow(
            contour.zone, "edge contour", name, LINE_EDGE_TITLES[name], _told(value),
            evaluation_length_um=edge.evaluation_length_um, standard=LINE_EDGE_PRACTICE,
            note="; ".join(text for text in (note, value.note) if text),
        )
        for name, value in edge.values.items()
    )


_WIDEST = 10.0  # an interval that ends at more than so many times the value tells nothing


def _told(value: Measured) -> Measured:
    """Return the value, or none where its standard uncertainty or its interval outgrows it."""
    if not (value.u > value.value or value.interval[1] > _WIDEST * value.value):
        return value
    return Measured(math.nan, math.nan, value.unit, note="the edge does not tell it")


def _profile(
    contour: EdgeContour, edge: LineEdge, settings: ProfileSettings
) -> Roughness | None:
    noise = edge.values["noise"]
    noise_um = noise.value if math.isfinite(noise.value) else 0.0
    noise_rel = noise.u / noise.value if noise_um > 0 and math.isfinite(noise.u) else 0.0
    doubt = HeightDoubt(
        noise_um=noise_um, noise_u_rel=min(noise_rel, 1.0), height_u_rel=contour.u_height_rel,
        spacing_u_rel=contour.u_spacing_rel, noise_lags=contour.noise_correlation,
    )
    five = contour.length_um / DEFAULT_SECTIONS
    fitting = longest_class_within(contour.length_um)
    try:
        if fitting is None:
            return _with_default_class(
                roughness_profile(
                    contour.deviation_um, contour.spacing_um, nesting_index_um=five, doubt=doubt,
                    settings=settings,
                ), "",
            )
        first = roughness_profile(
            contour.deviation_um, contour.spacing_um, nesting_index_um=five, settings=settings
        )
        wanted = setting_class_for(first["Rz"].value)
        if wanted.evaluation_length_um > contour.length_um:
            wanted = fitting
        chosen = roughness_profile(
            contour.deviation_um, contour.spacing_um, setting_class=wanted.name, doubt=doubt,
            band=Band(form="mean"), settings=settings,
        )
    except MeasurementError:
        return None
    return _with_default_class(chosen, wanted.name)


def _with_default_class(profile: Roughness, used: str) -> Roughness:
    """Say which setting class the Rz found asks for, where it is not the one used."""
    largest = profile["Rz"].value
    if not math.isfinite(largest):
        return profile  # noise leaves no Rz, so that none asks for a class
    default = setting_class_for(largest)
    if default.name == used:
        return profile
    note = (
        f"non-default: class {default.name} for this Rz needs"
        f" {SETTING_CLASSES[default.name].evaluation_length_um:g} µm"
    )
    given = profile.conditions
    kept = f"{note}; {given.note.removeprefix('non-default: ')}" if given.note else note
    return replace(profile, conditions=replace(given, note=kept))


def _with_edge(profile: Roughness, contour: EdgeContour) -> tuple[RoughnessRow, ...]:
    return tuple(
        replace(
            row, note="; ".join(t for t in (f"{contour.edge} edge", contour.form, row.note) if t)
        )
        for row in profile.rows(contour.zone, "edge contour")
    )

