"""Tables of a run: ``images.csv``, ``faces.csv`` and the workbook that holds both."""

from __future__ import annotations

import io
import re
import zipfile
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from edgeqc.flags import FLAGS
from edgeqc.folder_work import Row
from edgeqc.measure.measurands import MEASURANDS
from edgeqc.report.tables import cell
from edgeqc.report.wording import SHEET_TITLES

COLUMN_MEANINGS: Mapping[str, str] = {
    "image": "File name of the picture; #2 and so on for the further pages of a file.",
    "specimen": "Specimen id, from the sheet; the file's name where the sheet has none.",
    "status": "measured; review: to be looked at by a person; rejected: of no use; failed: not "
              "examined.",
    "faces": "Number of cut faces found.",
    "pixel_size_um": "Pixel size in µm.",
    "pixel_size_source": "Where the pixel size is from.",
    "tilt_deg": "Tilt of the face away from the picture plane, about its length, in degrees.",
    "reason": "Why the picture is not plainly measured.",
    "face": "Number of the face along the picture, top to bottom, then left to right.",
    "centroid_row_px": "Row of the face's centroid, in pixels from the upper edge.",
    "centroid_col_px": "Column of the face's centroid, in pixels from the left edge.",
    "anterior": "Side of the picture towards which the anterior surface lies.",
    "cut_depth_low": "Lower end of the 95 % coverage interval of the cut depth.",
    "cut_depth_high": "Upper end of the 95 % coverage interval of the cut depth.",
    "verdict": "What the face's flags amount to: measured, review or rejected.",
    "verdict_without_residual": "The same apart from whether the remainder was torn or cut by "
                                "scissors: holds for thickness, depth, ligament and laser zone.",
    "flags": "Names of the doubts about the face, separated by semicolons.",
}
# text whatever it looks like: an id of 007 is no number
TEXT_COLUMNS = frozenset({
    "image", "specimen", "lens", "fragment", "material", "status", "reason", "anterior",
    "pixel_size_source", "coating", "drying", "operator", "received", "note", "verdict", "flags",
    "verdict_without_residual",
})
_PLAIN_NUMBER = re.compile(r"-?(0|[1-9][0-9]{0,14})([.][0-9]+)?(e[+-]?[0-9]{1,2})?")
# fixed, so that the same results give the same bytes
_ZIP_TIME = (1980, 1, 1, 0, 0, 0)


def sorted_rows(rows: Iterable[Row]) -> list[Row]:
    """Return rows of either table in their fixed order: picture, page, face."""
    return sorted(rows, key=_place)


def _place(row: Row) -> tuple[str, int, int, str]:
    name, mark, page = row["image"].rpartition("#")
    if not (mark and page.isdigit()):
        name, page = row["image"], "1"
    return name, int(page), int(row.get("face") or 0), row["specimen"]


# --- workbook -----------------------------------------------------------------------------------


def workbook_bytes(
    faces: Sequence[Row], images: Sequence[Row], face_columns: Sequence[str],
    image_columns: Sequence[str],
) -> bytes:
    """Return a workbook with both tables and sheets that explain columns and flags.

    Notes
    -----
    Ids are text cells, so that 007 stays 007 and no text is taken for a formula.
    """
    import openpyxl

    book = openpyxl.Workbook()
    book.remove(book.worksheets[0])
    _fill(book.create_sheet("faces"), faces, face_columns)
    _fill(book.create_sheet("images"), images, image_columns)
    meanings = [
        {"column": name, "table": table, "meaning": meaning_of(name)}
        for table, columns in (("faces", face_columns), ("images", image_columns))
        for name in columns
    ]
    _fill(book.create_sheet("columns"), meanings, ("table", "column", "meaning"))
    flags = [
        {"flag": flag.name, "weight": flag.severity, "observation": flag.sentence,
         "consequence": flag.consequence}
        for flag in FLAGS.values()
    ]
    _fill(book.create_sheet("flags"), flags, ("flag", "weight", "observation", "consequence"))
    content = io.BytesIO()
    book.save(content)
    return _timeless(content.getvalue())


def meaning_of(column: str) -> str:
    """Return what a column of either table holds, in a sentence."""
    if column in COLUMN_MEANINGS:
        return COLUMN_MEANINGS[column]
    if column in MEASURANDS:
        return MEASURANDS[column].definition
    if column.startswith("u_") and column[2:] in MEASURANDS:
        return f"Standard uncertainty (k = 1) of {column[2:]}."
    if column in SHEET_TITLES:
        title, unit = SHEET_TITLES[column]
        return f"{title}{f', in{unit}' if unit else ''}, from the sheet."
    return "From the specimen sheet, as written there."


def _fill(sheet: Any, rows: Sequence[Row], columns: Sequence[str]) -> None:
    from openpyxl.styles import Alignment, Font
    from openpyxl.utils import get_column_letter

    sheet.append(list(columns))
    widths = [len(name) for name in columns]
    for at, row in enumerate(rows, start=2):
        for place, name in enumerate(columns, start=1):
            value = row.get(name)
            text = cell(value)
            if not text:
                continue
            number = None if name in TEXT_COLUMNS else _number(text)
            place_of = sheet.cell(at, place)
            if number is None:
                place_of.value = _plain(text)
                place_of.data_type = "s"  # never a formula, nor a date
                place_of.number_format = "@"
            else:
                place_of.value = number
            widths[place - 1] = max(widths[place - 1], min(len(text), 60))
    for place, width in enumerate(widths, start=1):
        sheet.cell(1, place).font = Font(bold=True)
        sheet.cell(1, place).alignment = Alignment(vertical="top")
        sheet.column_dimensions[get_column_letter(place)].width = width + 2
    sheet.freeze_panes = "B2"
    sheet.auto_filter.ref = sheet.dimensions


def _number(text: str) -> float | int | None:
    """Return a number that reads the same as its text, else None: 007 stays text."""
    if not _PLAIN_NUMBER.fullmatch(text):
        return None
    return int(text) if text.lstrip("-").isdigit() else float(text)


def _plain(text: str) -> str:
    """Return text without the control characters that a workbook cannot hold."""
    shown = text.encode("utf-8", "backslashreplace").decode("utf-8")
    return "".join(c if c >= " " or c in "\t\n" else "\N{REPLACEMENT CHARACTER}" for c in shown)


def _timeless(content: bytes) -> bytes:
    """Return a workbook without the times of its making."""
    from xml.etree import ElementTree

    made = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(content)) as old, zipfile.ZipFile(made, "w") as new:
        for item in sorted(old.namelist()):
            data = old.read(item)
            if item == "docProps/core.xml":
                tree = ElementTree.fromstring(data)
                for child in [c for c in tree if "}created" in c.tag or "}modified" in c.tag]:
                    tree.remove(child)
                data = ElementTree.tostring(tree, encoding="utf-8", xml_declaration=True)
            info = zipfile.ZipInfo(item, _ZIP_TIME)
            info.compress_type = zipfile.ZIP_DEFLATED
            new.writestr(info, data)
    return made.getvalue()
