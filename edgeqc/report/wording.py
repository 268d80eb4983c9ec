"""The standing words of a report: verdicts, legend, method, cautions."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

VERDICT_WORDS: Mapping[str, str] = {
    "measured": "measured",
    "review": "for review",
    "rejected": "rejected",
    "failed": "not examined",
}

_ZONE_LEGEND = (
    "L laser (slanted lines), S scissors (upright lines), T torn (dots), O obscured (lattice of"
    " lines)."
)
_KNOWN_SIDE = " The black-and-white dashed edge is the anterior one, from which depth is measured."
_UNKNOWN_SIDE = (
    " Depth is measured from the black-and-white dashed edge; whether that is the anterior one is"
    " not known{}."
)
_DRAWN = " Scale bar and marks were drawn by the program; brightness is stretched for display."

NO_LIMIT = "The protocol sets no limit, and no reference interval is established."

NO_FACE_LEGEND = (
    "No cut face is marked in it. The scale bar was drawn by the program; brightness is stretched"
    " for display."
)


def legend(known_sides: Sequence[bool]) -> str:
    """Return what stands below a picture with its marks.

    Parameters
    ----------
    known_sides : sequence of bool
        For each face of the picture, whether its anterior side is known.
    """
    if not known_sides:
        return NO_FACE_LEGEND
    if all(known_sides):
        return _ZONE_LEGEND + _KNOWN_SIDE + _DRAWN
    some = " of every face" if any(known_sides) else ""
    return _ZONE_LEGEND + _UNKNOWN_SIDE.format(some) + _DRAWN


BASIS_SENTENCES: Mapping[str, str] = {
    "edge contour": "Lengths measured on the line where the face meets its background: a profile"
                    " in the picture plane.",
    "height map": "Lengths measured on heights, from a stereo pair or an imported height map.",
    "grey level": "Texture of grey levels. One photograph holds no heights, so these are not"
                  " roughness lengths; compare them only within one imaging session.",
}

ROUGHNESS_TITLES: Mapping[str, str] = {
    "edge contour": "Roughness from the edge contour",
    "height map": "Roughness from the height map",
    "grey level": "Grey-level texture",
}

SHOWN_ROUGHNESS = frozenset({
    "Ra", "Rq", "Rz", "RSm", "Rq_unbiased", "correlation_length",
    "Sa", "Sq", "Sz", "Sal", "Str", "Sdr",
})
"""Parameters that the pages list; ``roughness.csv`` and ``findings.json`` hold all of them."""

METHOD = (
    "The face was found by its outline and unrolled onto a frame of its own: s along the face,"
    " t through its thickness from the anterior edge. Thickness is the distance between the"
    " anterior and the posterior edge along the face's transverse direction, divided by the"
    " cosine of the tilt where the face is tilted about its length.",
    "Each point of the face was called cut by laser, cut by scissors, torn or obscured from the"
    " texture around it, from where textures end and from the order that a cut leaves: the laser"
    " starts at the anterior edge, what it did not reach was torn or cut. Where the sheet says how"
    " the piece was freed, that weighs ten to one in which of the two, unless the texture speaks"
    " clearly against it."
    " A stretch of the whole thickness beside a laser zone counts as cut by scissors rather than"
    " torn at five to one. The cut depth is the mean, over the length"
    " where the laser zone is present, of its depth divided by the local thickness. Obscured"
    " stretches are left out.",
    "Uncertainties are combined as in JCGM 100:2008; each budget is listed. A limit is passed or"
    " failed only when the whole 95 % interval lies on one side of it; otherwise the verdict is"
    " undecided. A face for review passes and fails nothing.",
)

CAUTIONS = (
    "Research and quality control only. These values are no basis for treatment decisions, and"
    " no claim is made on their performance for diagnosis.",
    "Licensed practice and local codes decide on how specimens are examined, reported and kept.",
    "Values depend on the picture's scale, noise and preparation: drying shrinks hydrated"
    " material, coating and charging change texture.",
    "No reference interval is established for these measurands.",
)

SAFETY = (
    "Explanted material is a biohazard: handle, decontaminate and dispose of it by local rules.",
    "Electron microscopes hold high voltage and vacuum and make X-rays; trained staff only.",
)

SHEET_TITLES: Mapping[str, tuple[str, str]] = {
    "lens": ("Lens", ""),
    "fragment": ("Fragment", ""),
    "material": ("Material", ""),
    "pulse_energy_uj": ("Pulse energy set", " µJ"),
    "spot_separation_um": ("Spot separation set", " µm"),
    "line_separation_um": ("Line separation set", " µm"),
    "accelerating_voltage_kv": ("Accelerating voltage", " kV"),
    "coating": ("Coating", ""),
    "drying": ("Drying", ""),
    "operator": ("Operator", ""),
    "received": ("Received", ""),
    "note": ("Note", ""),
    "freed_by": ("Freed below the cut by", ""),
}
"""Sheet column -> what the report calls it, and the unit that follows its text."""

QUALITY_TITLES: Mapping[str, str] = {
    "contrast": "Span of grey levels, of the whole range",
    "blur": "Blur of the sharpest edges",
    "noise sd": "Noise, of the whole range",
    "texture sd": "Texture, of the whole range",
    "texture snr": "Texture over noise",
    "clipped white fraction": "Share clipped to white",
    "clipped black fraction": "Share clipped to black",
    "row jump": "Largest jump of rows, of the span",
    "gradient": "Drift from side to side, of the span",
}
"""Figure of a picture's quality -> what the report calls it."""

ACQUISITION_TITLES: Mapping[str, tuple[str, str]] = {
    "accelerating_voltage_kv": ("Accelerating voltage", " kV"),
    "working_distance_mm": ("Working distance", " mm"),
    "detector": ("Detector", ""),
    "dwell_time_us": ("Dwell time", " µs"),
    "date": ("Date in the file", ""),
    "magnification": ("Magnification", ""),
    "stage_tilt_deg": ("Stage tilt", "°"),
    "tilt_correction": ("Tilt correction", ""),
    "pixel_size_um": ("Pixel size in the file", " µm"),
    "field_width_um": ("Field width in the file", " µm"),
}
"""What the file says of its taking -> what the report calls it, and the unit that follows."""
