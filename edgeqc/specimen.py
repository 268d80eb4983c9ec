"""The specimen pipeline: pictures of one specimen in, its findings and report out."""

from __future__ import annotations

import dataclasses
import os
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path

from edgeqc.errors import UsageError
from edgeqc.examined import ExaminedFace, ExaminedPicture, compile_findings
from edgeqc.faces.face import CutFace
from edgeqc.faces.face_model import face_probability
from edgeqc.faces.trace import trace_cut_faces
from edgeqc.findings import Findings
from edgeqc.flags import Raised, raised, verdict_of
from edgeqc.imaging.calibration import calibrate_with_quality
from edgeqc.imaging.image import CalibratedImage
from edgeqc.imaging.quality import QualityRecord
from edgeqc.imaging.reading import read_pages
from edgeqc.measure.face_clipping import CLIPPING_FLAGS, judge_clipping
from edgeqc.measure.face_measures import measure_face, no_measures
from edgeqc.measure.height_map import HeightMap
from edgeqc.protocol import Protocol, read_protocol
from edgeqc.quantity import Measured
from edgeqc.report.writing import write_report
from edgeqc.specimen_heights import Heights, OpenPicture, flags_of, heights_of
from edgeqc.specimen_sheet import Sheet, SheetRow, read_sheet
from edgeqc.zoning.model import TaughtHead, read_taught_head
from edgeqc.zoning.zones import map_zones


@dataclass(frozen=True)
class SpecimenResult:
    """What examining a specimen gave.

    Parameters
    ----------
    findings : Findings
        The findings, as they stand in ``findings.json``.
    folder : Path
        Where the files are.
    notes : tuple of str
        Plain sentences on files that are not as they should be.
    """

    findings: Findings
    folder: Path
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class LeftOut:
    """What is not to be opened, and why.

    Parameters
    ----------
    pictures : mapping of str to str
        Picture name -> why; they stand in the findings as failed.
    heights : str
        Why height maps and stereo pairs are not to be used; empty to use them.
    """

    pictures: Mapping[str, str] = field(default_factory=dict)
    heights: str = ""


def examine_specimen(
    images: Sequence[str | Path],
    out: str | Path,
    *,
    sheet: Sheet | str | Path | None = None,
    protocol: Protocol | str | Path | None = None,
    folder: str | Path | None = None,
    left_out: LeftOut | None = None,
    specimen: str = "",
    issued: datetime | None = None,
) -> SpecimenResult:
    """Examine the pictures of one specimen and write its findings and report.

    Parameters
    ----------
    images : sequence of path
        Picture files.
    out : path
        The specimen's folder; made where it is missing.
    sheet : Sheet or path, optional
        The specimen sheet.
    protocol : Protocol or path, optional
        The protocol; the one that comes with the package where none is given.
    folder : path, optional
        Pictures are named relative to it; by their bare file names where it is not given.
    left_out : LeftOut, optional
        What is not to be opened, and why.
    specimen : str
        Identifier; from the sheet, or from the first file's name, where it is empty.
    issued : datetime, optional
        Time of issue, with its zone; now where none is given.

    Returns
    -------
    SpecimenResult
        Findings and where they were written.

    Raises
    ------
    ImageError
        A picture cannot be read; its ``file`` is the picture's name.
    HeightMapError
        A height map or stereo pair is of no use.
    UsageError
        The pictures belong to several specimens.
    """
    if not isinstance(sheet, Sheet):
        sheet = Sheet() if sheet is None else read_sheet(Path(sheet))
    if not isinstance(protocol, Protocol):
        protocol = read_protocol(protocol, kind="specimen")
    left_out = left_out or LeftOut()
    failed = left_out.pictures
    names = {picture_name(path, folder): Path(path) for path in images}
    specimen = specimen or _specimen_of(names, sheet)
    opened = [picture for name, path in names.items() if name not in failed
              for picture in open_pictures(path, name, sheet, protocol)]
    heights = {} if left_out.heights else heights_of(opened)
    pictures = _examined(opened, protocol, heights, left_out.heights)
    pictures += [
        ExaminedPicture(name, sheet.row_for(name), None, failure=failed[name])
        for name in names if name in failed
    ]
    order = {name: index for index, name in enumerate(names)}
    pictures.sort(key=lambda picture: order[picture.name.partition("#")[0]])
    findings = compile_findings(
        specimen, pictures, protocol, issued=issued or datetime.now(UTC))
    target = Path(out)
    return SpecimenResult(findings, target, write_report(findings, pictures, protocol, target))


def picture_name(path: str | Path, folder: str | Path | None = None) -> str:
    """Return the name of a picture file in findings: relative, ``/`` between folders."""
    if folder is None:
        return Path(path).name
    # links are not followed: a linked picture keeps its name in the folder
    return Path(os.path.abspath(path)).relative_to(os.path.abspath(folder)).as_posix()


def _specimen_of(names: Iterable[str], sheet: Sheet) -> str:
    """Return the one specimen that pictures belong to."""
    rows = [sheet.row_for(name) for name in names]
    if not rows:
        raise UsageError("no picture was given", remedy="Name at least one picture file.")
    ids = dict.fromkeys(row.specimen for row in rows if row.listed or not sheet.rows)
    if sheet.rows and len(ids) > 1:
        raise UsageError(
            f"the pictures belong to several specimens: {', '.join(ids)}",
            remedy="Examine one specimen at a time, or give the specimen's identifier.")
    return next(iter(ids), rows[0].specimen)


def open_pictures(
    path: Path, name: str, sheet: Sheet, protocol: Protocol
) -> tuple[OpenPicture, ...]:
    """Return every page of a picture file, calibrated with its own row of the sheet."""
    settings = protocol["imaging"]
    pages = read_pages(path, name=name, limits=settings.reading)
    rows = [sheet.row_for(name, page.page) for page in pages]
    opened = []
    for page, row in zip(pages, rows, strict=True):
        image, quality = calibrate_with_quality(page, dataclasses.asdict(row), settings)
        opened.append(OpenPicture(image, row, path, quality))
    return tuple(opened)


def _examined(
    opened: Sequence[OpenPicture],
    protocol: Protocol,
    heights: Mapping[str, Heights],
    no_heights: str,
) -> list[ExaminedPicture]:
    """Return what was found in each picture, with the doubts about its heights."""
    taught = _taught(protocol)
    pictures = []
    for picture in opened:
        name = picture.image.source.name
        had = heights.get(name)
        flags = flags_of(heights, name)
        if no_heights and (picture.row.pair or picture.row.height_map):
            flags = (raised("height_map_unusable", no_heights),)
        done = examine_picture(
            picture, protocol, taught=taught, height_map=had.height_map if had else None)
        pictures.append(dataclasses.replace(done, flags=(*done.flags, *flags)))
    return pictures


def _taught(protocol: Protocol) -> TaughtHead | None:
    """Return the laboratory's own zone model, where the protocol names one."""
    file = protocol["zone_model"].file
    return read_taught_head(Path(file)) if file else None


def examine_picture(
    picture: OpenPicture,
    protocol: Protocol,
    *,
    taught: TaughtHead | None = None,
    height_map: HeightMap | None = None,
) -> ExaminedPicture:
    """Return what was found in one picture: its faces, their zones and measures.

    Parameters
    ----------
    picture : OpenPicture
        The calibrated picture and its row.
    protocol : Protocol
        The protocol in force.
    taught : TaughtHead, optional
        A laboratory's own naming model.
    height_map : HeightMap, optional
        Heights of the picture's field.

    Notes
    -----
    A picture whose own flags reject it is not searched for faces: whatever was found in a blank
    or defocused picture would be a guess. Clipping is no such flag: it is judged face by face,
    and a face that is clipped away has its row and no values.
    """
    image, row = picture.image, picture.row
    quality = _quality_figures(picture.quality)
    bare = ExaminedPicture(image.source.name, row, image, quality=quality)
    if verdict_of(flag for flag in image.flags if flag.name not in CLIPPING_FLAGS) == "rejected":
        return bare
    faces, flags = find_faces(image, row, protocol)
    image, faces = judge_clipping(image, faces, protocol["imaging"].quality)
    if verdict_of(image.flags) == "rejected":
        return bare
    examined = []
    for face in faces:
        if verdict_of(face.flags) == "rejected":
            examined.append(ExaminedFace(face, None, no_measures("the face is of no use")))
            continue
        oriented, zones = map_zones(
            image, face, protocol["zones"], taught=taught, freed_by=row.freed_by)
        measures = measure_face(
            image, oriented, zones, protocol["measures"], height_map=height_map,
            set_lattice_um=_set_lattice(row))
        examined.append(ExaminedFace(oriented, zones, measures))
    laid = next((item.measures.height_map for item in examined
                 if item.measures.height_map is not None), None)
    return ExaminedPicture(
        image.source.name, row, image, tuple(examined), quality, flags, height_map=laid)


def find_faces(
    image: CalibratedImage, row: SheetRow, protocol: Protocol
) -> tuple[tuple[CutFace, ...], tuple[Raised, ...]]:
    """Return the cut faces of a picture by the learned map of faces, and the doubts about it.

    Parameters
    ----------
    image : CalibratedImage
        The picture.
    row : SheetRow
        Gives the anterior side and the number of faces expected.
    protocol : Protocol
        The protocol in force.
    """
    return trace_cut_faces(
        image, protocol["faces"], anterior=";".join(row.anterior) or None, expected=row.faces,
        probability=face_probability(image))


def _set_lattice(row: SheetRow) -> tuple[float, float] | None:
    """Return the separations of the sheet, (spot, line), where it gives both."""
    if row.spot_separation_um is None or row.line_separation_um is None:
        return None
    return row.spot_separation_um, row.line_separation_um


def _quality_figures(record: QualityRecord | None) -> dict[str, Measured]:
    """Return the figures of a picture's quality by name; they are held against limits only."""
    figures: dict[str, Measured] = {}
    if record is None:
        return figures
    for item in dataclasses.fields(record):
        title, unit = item.name.replace("_", " "), "1"
        if item.name.endswith("_px"):
            title, unit = title.removesuffix(" px"), "px"
        figures[title] = Measured(
            float(getattr(record, item.name)), float("nan"), unit,
            note="a figure of the picture, held against its limit only")
    return figures
