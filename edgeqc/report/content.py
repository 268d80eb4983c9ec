"""What a report says, as plain text in order; the page templates only lay it out."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from itertools import groupby
from typing import Any

from edgeqc.findings import (
    FaceFindings,
    Findings,
    FlagEntry,
    ImageFindings,
    LimitResult,
    RoughnessEntry,
    Value,
    interval_text,
    is_lopsided,
    proviso_of,
    residual_is_a_guess,
    unit_text,
    value_text,
)
from edgeqc.measure.measurands import MEASURANDS
from edgeqc.protocol import ReportSettings
from edgeqc.report.wording import (
    ACQUISITION_TITLES,
    BASIS_SENTENCES,
    CAUTIONS,
    METHOD,
    NO_LIMIT,
    QUALITY_TITLES,
    ROUGHNESS_TITLES,
    SAFETY,
    SHEET_TITLES,
    SHOWN_ROUGHNESS,
    VERDICT_WORDS,
    legend,
)

_GROUPS = (
    ("Cut depth and ligament", (
        "cut_depth_fraction", "cut_depth_min", "cut_depth_nine_point",
        "cut_depth_area_fraction", "laser_length_fraction", "through_cut_fraction",
        "ligament_um", "ligament_max_um")),
    ("Thickness", ("thickness_um", "thickness_min_um", "thickness_max_um")),
    ("Zones, share of the face's area", (
        "laser_area_fraction", "scissor_area_fraction", "torn_area_fraction",
        "obscured_area_fraction")),
    ("Lattice and debris", (
        "spot_separation_measured_um", "line_separation_measured_um", "lattice_angle_deg",
        "debris_count", "debris_area_fraction")),
)
_ZONES_GROUP = "Zones, share of the face's area"
_NAMED_GROUPS = frozenset({"Cut depth and ligament", _ZONES_GROUP})
_BUDGETS = ("cut_depth_fraction", "thickness_um", "ligament_um")


def report_content(findings: Findings, settings: ReportSettings) -> dict[str, Any]:
    """Return all words and figures of a specimen's report, ready to lay out.

    Parameters
    ----------
    findings : Findings
        The findings; nothing is added to what they say.
    settings : ReportSettings
        What the laboratory puts on its reports.

    Returns
    -------
    dict
        Only texts, lists and dicts of texts.
    """
    return {
        "title": "Cut-face examination",
        "specimen": findings.specimen,
        "issued": _date_text(findings.issued),
        "laboratory": settings.laboratory or "not stated",
        "requester": settings.requester or "not stated",
        "examination": settings.examination,
        "verdict": VERDICT_WORDS[findings.verdict],
        "verdict_name": findings.verdict,
        "answer": findings.answer,
        "about": _about(findings, settings),
        "pictures": [_picture(item, findings) for item in findings.images],
        "method": list(METHOD),
        "provenance": _provenance(findings),
        "corrections": [
            [item.when, item.who, item.what, item.reason] for item in findings.corrections],
        "cautions": list(CAUTIONS),
        "safety": list(SAFETY),
        "coverage": f"U is the expanded uncertainty, k = {findings.coverage_factor:g} (about"
                    " 95 %); where the 95 % interval is uneven about a value, it stands alone.",
        "software": findings.software,
    }


def _date_text(issued: str) -> str:
    return datetime.fromisoformat(issued).strftime("%Y-%m-%d %H:%M %Z").strip()


def _about(findings: Findings, settings: ReportSettings) -> list[list[str]]:
    rows = [["Specimen", findings.specimen]]
    for column, text in findings.sheet.items():
        title, unit = SHEET_TITLES.get(column, (column, ""))
        rows.append([title, f"{text}{unit}"])
    if findings.areal_dose_j_cm2 is not None and findings.areal_dose_j_cm2.value is not None:
        rows.append(["Areal dose set", f"{findings.areal_dose_j_cm2.value:.1f} J/cm²"])
    rows.append(["Sample type", settings.sample_type])
    rows.append(["Issuing laboratory", settings.laboratory or "not stated"])
    rows.append(["Requested by", settings.requester or "not stated"])
    return rows


def _picture(image: ImageFindings, findings: Findings) -> dict[str, Any]:
    faces = [face for face in findings.faces if face.image == image.image]
    several = len(findings.images) > 1
    return {
        "name": image.image,
        "status": VERDICT_WORDS[image.status],
        "status_name": image.status,
        "reason": image.reason[:1].upper() + image.reason[1:],
        "caption": legend([face.anterior_source != "none" for face in faces]),
        "facts": _picture_facts(image),
        "flags": _flag_rows(image.flags),
        "faces": [_face(face, several) for face in faces],
    }


def _picture_facts(image: ImageFindings) -> list[list[str]]:
    facts = [
        ["File", image.image],
        ["SHA-256", image.sha256 or "none"],
        ["Size", f"{image.cols_px} × {image.rows_px} px" if image.rows_px else "not known"],
        ["Pixel size", _with_source(image.pixel_size_um, image.pixel_size_source)],
        ["Tilt of the face", _stated(image.tilt_deg)],
    ]
    facts += _quality_facts(image)
    for key, item in image.acquisition.items():
        title, unit = ACQUISITION_TITLES.get(key, (key.replace("_", " "), ""))
        facts.append([title, f"{_plain(item)}{unit}"])
    return facts


def _quality_facts(image: ImageFindings) -> list[list[str]]:
    """Return the quality figures that a reader can use; ``findings.json`` holds all of them."""
    shown = {title: image.quality[name] for name, title in QUALITY_TITLES.items()
             if name in image.quality}
    # nought here means that the search found nothing, not that there is exactly none
    unseen = [title for title, value in shown.items() if value.value == 0]
    facts = [[title, _stated(value)] for title, value in shown.items() if title not in unseen]
    return [*facts, ["None seen of", "; ".join(unseen).lower()]] if unseen else facts


def _plain(item: str | float) -> str:
    return f"{item:g}" if isinstance(item, float) else str(item)


def _with_source(value: Value, source: str) -> str:
    if value.value is None:
        return f"none: {value.reason}"
    note = f" ({value.note})" if value.note else ""
    return f"{value_text(value)}, from: {source}{note}"


def _stated(value: Value) -> str:
    """Value with its doubt, or ``none`` with the reason."""
    if value.value is None:
        return f"none: {value.reason}"
    return value_text(value)


def _face(face: FaceFindings, several: bool) -> dict[str, Any]:
    depth = face.values["cut_depth_fraction"]
    where = f"{face.image}, face {face.face}" if several else f"Face {face.face}"
    _, _, said = face.answer.partition(": ")
    return {
        "title": where,
        "number": str(face.face),
        "answer": said[0].upper() + said[1:],
        "verdict": VERDICT_WORDS[face.verdict],
        "verdict_name": face.verdict,
        **_headline(depth if face.verdict != "rejected" else None, proviso_of(face.flags)),
        "doubt": face.verdict == "review",
        "anterior": _anterior(face),
        "limits": [_limit_row(item) for item in face.limits] or [
            ["All measurands", "none established", "no limit set", NO_LIMIT]],
        "limit_words": [item.sentence for item in face.limits],
        "groups": [
            {"title": title + _proviso(face, title), "rows": _value_rows(face, names)}
            for title, names in _GROUPS
        ],
        "budgets": [
            _budget(name, face.values[name]) for name in _BUDGETS if face.values[name].budget],
        "roughness": _roughness(face.roughness),
        "flags": _flag_rows(face.flags),
        "naming": "" if face.naming_confidence is None else
                  f"Probability that the zones bear the right names, as the model gives it:"
                  f" {face.naming_confidence:.2f}.",
    }


def _proviso(face: FaceFindings, title: str) -> str:
    """Return what values that rest on the zones' names have to be read with."""
    proviso = proviso_of(face.flags)
    if title in _NAMED_GROUPS and proviso:
        return f", {proviso} (that doubt is not in the intervals)"
    if title == _ZONES_GROUP and residual_is_a_guess(face.flags):
        return ", if the remainder bears the right name"
    return ""


def _headline(depth: Value | None, proviso: str = "") -> dict[str, str]:
    """Return the figure that stands largest on the page, and what it is."""
    if depth is None or depth.value is None:
        return {"big": "—", "big_caption": "no cut depth"}
    caption = "of the local thickness cut by laser" + (f", {proviso}" if proviso else "")
    if is_lopsided(depth):
        return {"big": value_text(depth, expanded=False),
                "big_caption": f"{caption}; 95 % interval {interval_text(depth)}"}
    return {"big": value_text(depth), "big_caption": caption}


def _anterior(face: FaceFindings) -> str:
    source = {"sheet": "from the specimen sheet", "inferred": "inferred from the zones",
              "none": "not known; depth is measured from the side shown"}[face.anterior_source]
    return f"Anterior side: {face.anterior} ({source})."


def _limit_row(item: LimitResult) -> list[str]:
    words = "" if item.limit is None else (
        f"{'at least' if item.bound == 'min' else 'at most'} {item.limit:g}"
        f"{unit_text(item.unit)}")
    return [item.title, words, item.verdict, item.sentence]


def _value_rows(face: FaceFindings, names: Sequence[str]) -> list[list[str]]:
    """Return a row for each measurand; neighbours that are missing for one reason share one."""
    rows: list[list[str]] = []
    for missing, group in groupby(names, key=lambda name: _why_missing(face.values[name])):
        together = list(group)
        if missing and len(together) > 1:
            title = ", ".join(MEASURANDS[name].title for name in together)
            rows.append(["All of these" if len(together) == len(names) else title, "—", "",
                         missing])
        else:
            rows += [_value_row(face, name) for name in together]
    return rows


def _why_missing(value: Value) -> str:
    return value.reason if value.value is None else ""


def _value_row(face: FaceFindings, name: str) -> list[str]:
    """Title, value ± U, 95 % interval, reason or note."""
    value = face.values[name]
    title = MEASURANDS[name].title
    if value.value is None:
        return [title, "—", "", value.reason]
    # a bare nought would look surer than any other number of the table
    nil = "none found; its estimated doubt is nil" if value.value == 0 and not value.u else ""
    note = "; ".join(part for part in (value.note, nil) if part)
    return [title, _with_doubt(value), interval_text(value), note]


def _with_doubt(value: Value) -> str:
    """Return ``value ± U``; the value alone where its interval is another and stands beside it."""
    if is_lopsided(value):
        return f"{value_text(value, expanded=False)}{unit_text(value.unit)}"
    return value_text(value)


def _budget(name: str, value: Value) -> dict[str, Any]:
    """Return sources of doubt with their share of the variance, greatest first."""
    total = sum(share * share for share in value.budget.values()) or 1.0
    rows = sorted(value.budget.items(), key=lambda item: -abs(item[1]))
    unit = unit_text(value.unit)
    return {
        "title": MEASURANDS[name].title,
        "rows": [[source, f"{share:.2g}{unit}", f"{100 * share * share / total:.0f} %"]
                 for source, share in rows],
        "total": f"u = {value.u:.2g}{unit} (k = 1)",
    }


def _roughness(entries: Sequence[RoughnessEntry]) -> list[dict[str, Any]]:
    """Return one table for each basis, as bases are never mixed, and a group for each zone."""
    tables = []
    for basis, sentence in BASIS_SENTENCES.items():
        rows = [entry for entry in entries if entry.basis == basis]
        shown = [entry for entry in rows if _is_shown(entry)]
        if not shown:
            continue
        more = f" All {len(rows)} values stand in roughness.csv." if len(rows) > len(shown) else ""
        groups: dict[tuple[str, ...], list[RoughnessEntry]] = {}
        for entry in shown:
            groups.setdefault(_held_in_common(entry), []).append(entry)
        tables.append({
            "title": ROUGHNESS_TITLES[basis],
            "sentence": sentence + more,
            "groups": [_roughness_group(common, group) for common, group in groups.items()],
        })
    return tables


def _held_in_common(entry: RoughnessEntry) -> tuple[str, ...]:
    """Return zone, standard, filter and length: rows that differ in these stand apart."""
    index = "" if entry.nesting_index_um is None else (
        f", nesting index {entry.nesting_index_um:.4g} µm")
    band = f"{entry.filter}{index}" if entry.filter not in ("", "none") else ""
    length = "" if entry.evaluation_length_um is None else (
        f"over {entry.evaluation_length_um:.4g} µm")
    zone = "whole face" if entry.zone == "face" else f"{entry.zone} zone"
    # a zone cut through has two edges; their rows are told apart by the first word of the note
    edge = entry.note.split("; ")[0] if entry.basis == "edge contour" else ""
    return zone, edge, _standard_and_part(entry)[0], band, length


def _standard_and_part(entry: RoughnessEntry) -> tuple[str, str]:
    """Return the standard of an ISO parameter and its part of it; other practice as a whole."""
    if not entry.standard.startswith("ISO"):
        return entry.standard, ""
    standard, _, part = entry.standard.partition(", ")
    return standard, part


def _is_shown(entry: RoughnessEntry) -> bool:
    """Tell whether a page lists a row; grey-level rows are few and all shown."""
    return entry.basis == "grey level" or entry.parameter in SHOWN_ROUGHNESS


def _roughness_group(
    common: tuple[str, ...], entries: Sequence[RoughnessEntry]
) -> dict[str, Any]:
    """Return rows under a title that says once what holds for all of them."""
    notes = [entry.note.split("; ") for entry in entries]
    shared = [
        part for part in notes[0]
        if part and part not in common and all(part in other for other in notes)
    ]
    said = f": {'; '.join(shared)}" if shared else ""
    return {"title": ", ".join(part for part in common if part) + said,
            "rows": [_roughness_row(entry, {*shared, *common}) for entry in entries]}


def _roughness_row(entry: RoughnessEntry, shared: set[str]) -> list[str]:
    """Return parameter, value ± U, 95 % interval, and what is said of this row alone."""
    named = f"{entry.parameter.replace('_', ' ')}, {entry.title}" if entry.title else (
        entry.parameter.replace("_", " "))
    value = entry.result
    said = _with_doubt(value) if value.value is not None else f"none: {value.reason}"
    # why there is no value stands in its place already
    told = {*shared, *(value.reason.split("; ") if value.value is None else ())}
    own = [part for part in entry.note.split("; ") if part and part not in told]
    about = "; ".join(part for part in (_standard_and_part(entry)[1], *own) if part)
    return [named, said, interval_text(value), about]


def _flag_rows(flags: Sequence[FlagEntry]) -> list[list[str]]:
    return [
        [flag.severity, flag.sentence, flag.consequence, flag.detail] for flag in flags]


def _provenance(findings: Findings) -> list[list[str]]:
    return [
        ["Program", findings.software],
        ["Protocol", f"{findings.protocol.name}, version {findings.protocol.version}"],
        ["Protocol hash", findings.protocol.sha256],
        ["Zone model", ", ".join(sorted({face.zone_model for face in findings.faces
                                         if face.zone_model})) or "none used"],
        ["Findings schema", findings.schema_version],
        ["Issued", findings.issued],
        ["Corrections by a person", str(len(findings.corrections)) if findings.corrections
         else "none"],
    ]
