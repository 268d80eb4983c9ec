"""What the chain hands over for one picture, and its compilation into findings."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from types import MappingProxyType

import edgeqc
from edgeqc.answers import face_answer, residual_of, specimen_answer
from edgeqc.faces.face import CutFace
from edgeqc.findings import (
    FaceFindings,
    Findings,
    ImageFindings,
    LimitResult,
    ProtocolId,
    RoughnessEntry,
    Status,
    Value,
    against_limit,
    flag_entries,
    issue_text,
    value_of,
)
from edgeqc.flags import Raised, verdict_of
from edgeqc.imaging.image import CalibratedImage
from edgeqc.measure.face_measures import FaceMeasures
from edgeqc.measure.height_map import HeightMap
from edgeqc.measure.lattice import areal_dose
from edgeqc.measure.measurands import MEASURANDS
from edgeqc.measure.roughness_row import RoughnessRow
from edgeqc.protocol import Limit, Protocol
from edgeqc.quantity import Measured
from edgeqc.specimen_sheet import SheetRow
from edgeqc.zoning.zones import ZoneMap


@dataclass(frozen=True)
class ExaminedFace:
    """One cut face with its zones and measures.

    Parameters
    ----------
    face : CutFace
        Outline and frame.
    zones : ZoneMap or None
        None where the face gave no zones.
    measures : FaceMeasures
        What was measured.
    """

    face: CutFace
    zones: ZoneMap | None
    measures: FaceMeasures


@dataclass(frozen=True)
class ExaminedPicture:
    """One picture with all that was found in it.

    Parameters
    ----------
    name : str
        File name, with ``#page`` from the second page on.
    sheet : SheetRow
        What the sheet says of it.
    image : CalibratedImage or None
        None where the file could not be read.
    faces : tuple of ExaminedFace
        Its faces in order.
    quality : mapping of str to Measured
        Figures of the picture's quality.
    flags : tuple of Raised
        Doubts about the picture beyond those that the image carries.
    failure : str
        Why it could not be examined; ``""`` otherwise.
    height_map : HeightMap, optional
        Heights of its field, as laid over the picture.
    """

    name: str
    sheet: SheetRow
    image: CalibratedImage | None
    faces: tuple[ExaminedFace, ...] = ()
    quality: Mapping[str, Measured] = field(default_factory=lambda: MappingProxyType({}))
    flags: tuple[Raised, ...] = ()
    failure: str = ""
    height_map: HeightMap | None = None

    @property
    def stem(self) -> str:
        """Name for files made from this picture: ``name``, ``name.p2`` for the second page."""
        base, _, page = self.name.partition("#")
        plain = base.replace("\\", "/").rsplit("/", 1)[-1].rsplit(".", 1)[0]
        return f"{plain}.p{page}" if page else plain

    @property
    def all_flags(self) -> tuple[Raised, ...]:
        """Every flag of the picture itself, without its faces'."""
        return (*(self.image.flags if self.image else ()), *self.flags)


def compile_findings(
    specimen: str,
    pictures: Sequence[ExaminedPicture],
    protocol: Protocol,
    *,
    issued: datetime,
) -> Findings:
    """Return the findings of a specimen from its examined pictures.

    Parameters
    ----------
    specimen : str
        Identifier of the specimen.
    pictures : sequence of ExaminedPicture
        All its pictures, also those that failed.
    protocol : Protocol
        The protocol in force; its limits are applied here.
    issued : datetime
        Time of issue, with its zone.
    """
    images = tuple(_image_findings(picture) for picture in pictures)
    faces = tuple(
        _face_findings(picture, item, protocol.limits)
        for picture in pictures for item in picture.faces
    )
    failed = [f"{item.image} ({item.reason.rstrip('.')})" for item in images
              if not item.faces and item.reason]
    several = len(pictures) > 1
    answers = [f"{face.image}, {face.answer[0].lower()}{face.answer[1:]}" if several
               else face.answer for face in faces]
    first = pictures[0].sheet if pictures else SheetRow("", specimen)
    return Findings(
        specimen=specimen,
        issued=issue_text(issued),
        sheet=_sheet_cells(first),
        areal_dose_j_cm2=set_areal_dose(first),
        answer=specimen_answer(answers, failed),
        verdict=_specimen_verdict(images, faces),
        images=images,
        faces=faces,
        protocol=ProtocolId(
            name=protocol.name, version=protocol.version, sha256=protocol.sha256),
        software=f"edgeqc {edgeqc.__version__}",
    )


def set_areal_dose(row: SheetRow) -> Value | None:
    """Return the areal dose of the laser's settings, in J/cm²; None without all three.

    Examples
    --------
    >>> from edgeqc.specimen_sheet import SheetRow
    >>> row = SheetRow("a.tif", "a", pulse_energy_uj=8.0, spot_separation_um=3.0,
    ...                line_separation_um=6.0)
    >>> round(set_areal_dose(row).value, 1)
    44.4
    """
    energy, spot, line = row.pulse_energy_uj, row.spot_separation_um, row.line_separation_um
    if energy is None or not spot or not line:
        return None
    dose = areal_dose(energy, Measured(spot, 0.0, "µm"), Measured(line, 0.0, "µm"))
    return Value(value=dose.value, unit=dose.unit,
                 reason="from nominal settings, whose uncertainty is not known")


def _sheet_cells(row: SheetRow) -> dict[str, str]:
    names = ("lens", "fragment", "material", "pulse_energy_uj", "spot_separation_um",
             "line_separation_um", "accelerating_voltage_kv", "coating", "drying", "operator",
             "received", "note")
    cells = {name: getattr(row, name) for name in names}
    filled = {name: f"{cell:g}" if isinstance(cell, float) else str(cell)
              for name, cell in cells.items() if cell is not None and cell != ""}
    return {**filled, **{name: text for name, text in row.extra if text}}


def _image_findings(picture: ExaminedPicture) -> ImageFindings:
    image = picture.image
    flags = flag_entries(picture.all_flags)
    verdicts = [_face_verdict(picture, item) for item in picture.faces]
    status: Status
    if picture.failure or image is None:
        status = "failed"
    elif not verdicts or set(verdicts) == {"rejected"}:
        status = "rejected"
    else:
        status = "measured" if set(verdicts) == {"measured"} else "review"
    reason = picture.failure or _reason(picture, status)
    if image is None:
        none = Value(value=None, unit="µm", reason="the picture could not be read")
        return ImageFindings(
            image=picture.name, status="failed", reason=reason or "could not be read", faces=0,
            pixel_size_um=none, pixel_size_source="none",
            tilt_deg=Value(value=None, unit="deg", reason=none.reason), flags=flags)
    return ImageFindings(
        image=picture.name,
        sha256=image.source.sha256,
        page=image.source.page,
        status=status,
        reason=reason,
        faces=len(picture.faces),
        rows_px=image.shape_in_file[0],
        cols_px=image.shape_in_file[1],
        pixel_size_um=_pixel_size(image),
        pixel_size_source=image.pixel_size_source,
        tilt_deg=value_of(Measured(image.tilt_deg, image.u_tilt_deg, "deg"), "deg",
                          "the tilt is not known"),
        quality={name: value_of(item, item.unit) for name, item in picture.quality.items()},
        acquisition=dict(image.source.acquisition),
        flags=flags,
    )


def _reason(picture: ExaminedPicture, status: str) -> str:
    """Say why a picture is not plainly measured: its own flags and its faces', worst first."""
    if status == "measured":
        return ""
    if len(picture.faces) < 2:
        flags = [*picture.all_flags,
                 *(flag for item in picture.faces for flag in _face_flags(picture, item))]
        return " ".join(_doubts(flags)) or "No cut face was found."
    common = _doubts(picture.all_flags)
    said = list(common)
    for item in picture.faces:
        own = [text for text in _doubts(_face_flags(picture, item)) if text not in common]
        if own:
            said += [f"Face {item.face.number}:", *own]
    return " ".join(said)


def _doubts(flags: Iterable[Raised]) -> list[str]:
    return [entry.sentence for entry in flag_entries(flags) if entry.severity != "note"]


def _pixel_size(image: CalibratedImage) -> Value:
    if image.pixel_size_um is None:
        return Value(value=None, unit="µm", reason="no trustworthy source gave a pixel size")
    # a reduced picture's pixels are blocks; the file's are what the reader knows
    row, col = (size / image.reduction for size in image.pixel_size_um)
    # rows and columns agree but for calibration; their difference is shown where it is real
    note = "" if abs(row - col) <= 1e-4 * col else f"down the picture {row:.6g} µm"
    return value_of(
        Measured(col, col * image.u_rel_pixel_size, "µm", {"calibration":
                 col * image.u_rel_pixel_size}, note=note), "µm")


def _face_flags(picture: ExaminedPicture, item: ExaminedFace) -> tuple[Raised, ...]:
    zones = item.zones.flags if item.zones is not None else ()
    return (*picture.all_flags, *item.face.flags, *zones, *item.measures.flags)


def _face_verdict(picture: ExaminedPicture, item: ExaminedFace) -> str:
    return verdict_of(_face_flags(picture, item))


def _face_findings(
    picture: ExaminedPicture, item: ExaminedFace, limits: Sequence[Limit]
) -> FaceFindings:
    flags = _face_flags(picture, item)
    entries = flag_entries(flags)
    verdict = verdict_of(flags)
    residual = residual_of(item.zones)
    values = {
        name: value_of(item.measures.values.get(name), measurand.unit,
                       item.measures.reasons.get(name, ""))
        for name, measurand in MEASURANDS.items()
    }
    roughness = tuple(_roughness_entry(entry) for entry in item.measures.roughness)
    row, col = item.face.centroid_px
    if picture.image is not None:
        row, col = picture.image.in_file_px(row), picture.image.in_file_px(col)
    zones = item.zones
    return FaceFindings(
        image=picture.name,
        face=item.face.number,
        answer=face_answer(item.face.number, values, entries, verdict=verdict, residual=residual),
        verdict=verdict,
        centroid_row_px=row,
        centroid_col_px=col,
        anterior=item.face.anterior,
        anterior_source=item.face.anterior_source,
        values=values,
        roughness=roughness,
        limits=_limit_results(values, roughness, limits, verdict),
        flags=entries,
        zone_model=zones.model if zones is not None else "",
        naming_confidence=float(zones.naming_confidence) if zones is not None else None,
        residual=residual,
    )


def _limit_results(
    values: Mapping[str, Value],
    roughness: Sequence[RoughnessEntry],
    limits: Sequence[Limit],
    verdict: str,
) -> tuple[LimitResult, ...]:
    """Return results against the limits; a face that is not ``measured`` passes nothing."""
    results = []
    for limit in limits:
        title, value = _limited(limit, values, roughness)
        result = against_limit(value, limit, title)
        if verdict != "measured" and result.verdict in ("pass", "fail"):
            word = "for review" if verdict == "review" else "rejected"
            result = result.model_copy(update={
                "verdict": "undecided",
                "sentence": f"{result.sentence.split(':')[0]}: undecided, because the face is"
                            f" {word}."})
        results.append(result)
    return tuple(results)


def _limited(
    limit: Limit, values: Mapping[str, Value], roughness: Sequence[RoughnessEntry]
) -> tuple[str, Value]:
    """Return what a limit is set on: its title and value."""
    if limit.measurand in values:
        return MEASURANDS[limit.measurand].title, values[limit.measurand]
    zone, basis, parameter = limit.measurand.split("/", 2)
    title = f"{parameter} of the {zone} zone ({basis})"
    for entry in roughness:
        if (entry.zone, entry.basis, entry.parameter) == (zone, basis, parameter):
            return title, entry.result
    return title, Value(value=None, unit="1", reason="this face has no such value")


def _roughness_entry(row: RoughnessRow) -> RoughnessEntry:
    return RoughnessEntry(
        zone=row.zone, basis=row.basis, parameter=row.parameter, title=row.title,
        result=value_of(row.result, row.result.unit, row.result.note or row.note),
        filter=row.filter,
        nesting_index_um=row.nesting_index_um,
        evaluation_length_um=row.evaluation_length_um,
        standard=row.standard, note=row.note,
    )


def _specimen_verdict(
    images: Sequence[ImageFindings], faces: Sequence[FaceFindings]
) -> Status:
    verdicts = {face.verdict for face in faces}
    if not faces:
        return "failed" if all(item.status == "failed" for item in images) else "rejected"
    if verdicts == {"rejected"}:
        return "rejected"
    # a picture that failed beside good ones needs a person's eye, not silence
    whole = all(item.status == "measured" for item in images)
    return "measured" if verdicts == {"measured"} and whole else "review"
