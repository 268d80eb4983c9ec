"""What a worker does with one specimen: the specimen pipeline, and small pictures for the index."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path, PurePosixPath
from types import MappingProxyType

import cv2

from edgeqc.errors import EdgeqcError, HeightMapError
from edgeqc.folder_index import SMALL
from edgeqc.folder_work import ExaminedRows, Order
from edgeqc.protocol import Protocol, protocol_of
from edgeqc.report.tables import face_rows, image_rows
from edgeqc.specimen import LeftOut, SpecimenResult, examine_specimen, picture_name
from edgeqc.specimen_sheet import Sheet

_SMALL_PX = (256, 168)  # twice the size on the page, for screens of fine pitch
_SMALL_QUALITY = 80
_OVERLAY = ".overlay.png"


def examine(order: Order) -> ExaminedRows:
    """Examine one specimen, write its results aside, and return its rows of the tables.

    Parameters
    ----------
    order : Order
        The specimen and where its things are.
    """
    protocol = protocol_of(order.protocol, kind="specimen")
    result = _examined(order, protocol)
    for overlay in sorted(Path(order.aside).glob(f"*{_OVERLAY}")):
        _write_small(overlay)
    return ExaminedRows(tuple(image_rows(result.findings)), tuple(face_rows(result.findings)))


def _examined(order: Order, protocol: Protocol) -> SpecimenResult:
    """Return the specimen's result; unreadable pictures stand in it with their reason."""
    job, folder = order.job, Path(order.folder)
    return examine_leaving_out(
        [folder / picture.name for picture in job.pictures], Path(order.aside),
        sheet=Sheet(tuple(row for picture in job.pictures for row in picture.rows), located=True),
        protocol=protocol, folder=folder, failed=order.failed, specimen=job.specimen)


def examine_leaving_out(
    images: Sequence[Path],
    out: Path,
    *,
    sheet: Sheet,
    protocol: Protocol,
    folder: Path | None = None,
    failed: Mapping[str, str] = MappingProxyType({}),
    specimen: str = "",
) -> SpecimenResult:
    """Return a specimen's result in which pictures that cannot be used stand with their reason.

    Parameters are those of ``edgeqc.specimen.examine_specimen``; only an error that is no one
    picture's fault is raised.
    """
    names = {picture_name(path, folder) for path in images}
    left_out = dict(failed)
    no_heights = ""
    while True:
        try:
            return examine_specimen(images, out, sheet=sheet, protocol=protocol, folder=folder,
                                    left_out=LeftOut(left_out, no_heights), specimen=specimen)
        except HeightMapError as error:
            if no_heights:
                raise
            no_heights = str(error)  # zones and depth need no heights
        except EdgeqcError as error:
            # unreadable pictures show before the first is measured, so a new start costs little;
            # each round leaves one more picture out, so this ends
            name = error.file.partition("#")[0]
            if name in left_out or name not in names:
                raise
            left_out[name] = without_file(error)


def without_file(error: EdgeqcError) -> str:
    """Return an error's sentences for a row that names the file already."""
    return str(type(error)(error.problem, rule=error.rule, remedy=error.remedy))


def _write_small(overlay: Path) -> None:
    picture = cv2.imread(str(overlay), cv2.IMREAD_COLOR)
    if picture is None:
        return
    rows, cols = picture.shape[:2]
    scale = min(1.0, max(_SMALL_PX[0] / cols, _SMALL_PX[1] / rows))
    size = (max(1, round(cols * scale)), max(1, round(rows * scale)))
    small = cv2.resize(picture, size, interpolation=cv2.INTER_AREA)
    done, data = cv2.imencode(".jpg", small, [cv2.IMWRITE_JPEG_QUALITY, _SMALL_QUALITY])
    if done:
        stem = PurePosixPath(overlay.name.removesuffix(_OVERLAY)).name
        (overlay.parent / f"{stem}{SMALL}").write_bytes(data.tobytes())
