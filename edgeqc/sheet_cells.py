"""Cells of a table file (CSV or XLSX) as text, with the row numbers a spreadsheet shows."""

from __future__ import annotations

import codecs
import csv
import datetime
import io
import re
import zipfile
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal, NamedTuple

from edgeqc.errors import SheetError

DELIMITERS = (";", "\t", ",")
MAX_SHEET_BYTES = 200_000_000  # a sheet of a million rows; larger is not a sheet
_ZIP = b"PK\x03\x04"  # what a workbook begins with
_ZERO_PADDED = re.compile(r"^0{2,}$")


class Cell(NamedTuple):
    """A cell's text, and whether a spreadsheet had already made a number or a date of it."""

    text: str
    kind: Literal["text", "number", "date"] = "text"


@dataclass(frozen=True)
class CellTable:
    """A table of text cells.

    Parameters
    ----------
    header : tuple of str
        Column names, trimmed.
    rows : tuple of (int, tuple of Cell)
        Row number as a spreadsheet shows it (the header is row 1) and the trimmed cells; rows
        without any text are left out, short rows are filled up.
    comma_is_decimal : bool
        True where the columns are separated by ``;`` or tab, as programs do where the comma is
        the decimal sign. Elsewhere ``1,234`` may mean thousands.
    """

    header: tuple[str, ...]
    rows: tuple[tuple[int, tuple[Cell, ...]], ...]
    comma_is_decimal: bool = False


def read_cells(path: Path) -> CellTable:
    """Return the cells of a CSV or XLSX file as text.

    Parameters
    ----------
    path : Path
        The file; an XLSX file is known by its content, not by its ending.

    Returns
    -------
    CellTable
        Header and rows.

    Raises
    ------
    SheetError
        Where the file cannot be read as a table at all.
    """
    try:
        size = path.stat().st_size
        if size > MAX_SHEET_BYTES:
            raise SheetError(
                f"the file has {size / 1e6:.0f} MB", file=path.name,
                rule=f"a sheet has at most {MAX_SHEET_BYTES / 1e6:.0f} MB",
                remedy="give the specimen sheet, not a data file",
            )
        raw = path.read_bytes()
    except OSError as error:
        raise SheetError(
            f"the sheet cannot be read ({error.strerror or error})", file=path.name,
            remedy="check that the file is there and may be read",
        ) from error
    table = _read_xlsx(raw, path.name) if raw[:4] == _ZIP else _read_csv(raw, path.name)
    if not table.header or not any(table.header):
        raise SheetError("the sheet is empty", file=path.name,
                         rule="the first row names the columns",
                         remedy="write a header row that has at least the column image")
    if path.suffix.lower() == ".xlsx" and raw[:4] != _ZIP and len(table.header) == 1:
        raise SheetError("the file is named .xlsx but is no workbook, nor a table of any columns",
                         file=path.name, rule="sheets are CSV (UTF-8) or XLSX",
                         remedy='save the sheet as "CSV UTF-8" or as XLSX')
    return table


# --- CSV ----------------------------------------------------------------------------------------


def _read_csv(raw: bytes, name: str) -> CellTable:
    text = _decode(raw, name)
    delimiter = ""
    first, _, rest = text.partition("\n")
    if declared := re.fullmatch(r"sep=(.)\s*", first):  # written by spreadsheets, shown by none
        delimiter, text = declared.group(1), rest
    delimiter = delimiter or _delimiter_of(text)
    try:
        records = list(csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True))
    except csv.Error as error:
        raise SheetError(
            f"the sheet is not well-formed CSV ({error})", file=name,
            remedy="check for a quotation mark that is not closed, or save the sheet anew as CSV",
        ) from error
    return _table([[Cell(_trim(text)) for text in record] for record in records],
                  comma_is_decimal=delimiter != ",")


def _decode(raw: bytes, name: str) -> str:
    encoding = "utf-8-sig"
    if raw.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        encoding = "utf-16"
    try:
        text = raw.decode(encoding)
    except UnicodeDecodeError as error:
        row = raw[: error.start].count(b"\n") + 1
        raise SheetError(
            f"row {row} holds a character that is not UTF-8", file=name,
            rule="sheets are UTF-8 text", remedy='save the sheet as "CSV UTF-8" or as XLSX',
        ) from error
    if "\0" in text:
        raise SheetError("the sheet holds binary data", file=name,
                         rule="sheets are CSV (UTF-8) or XLSX",
                         remedy='save the sheet as "CSV UTF-8" or as XLSX')
    return text


def _delimiter_of(text: str) -> str:
    header = ""
    for line in io.StringIO(text, newline=""):
        header += line
        if header.count('"') % 2 == 0:
            break  # a quoted column name may span lines
    bare = re.sub(r'"[^"]*"', "", header)
    return max(DELIMITERS, key=bare.count) if any(d in bare for d in DELIMITERS) else ","


# --- XLSX ---------------------------------------------------------------------------------------


def _read_xlsx(raw: bytes, name: str) -> CellTable:
    import openpyxl  # late: few users need it

    try:
        book = openpyxl.load_workbook(io.BytesIO(raw), data_only=True, read_only=False)
        sheet = book.worksheets[0]
        records = [[_cell_of(cell) for cell in row] for row in sheet.iter_rows()]
    except (zipfile.BadZipFile, KeyError, ValueError, IndexError, TypeError, OSError,
            SyntaxError) as error:  # a broken XML part is a SyntaxError
        raise SheetError(f"the workbook cannot be read ({type(error).__name__})", file=name,
                         remedy="open it in a spreadsheet and save it anew, or save it as CSV"
                         ) from error
    return _table(records)


def _cell_of(cell: Any) -> Cell:
    """Return a cell's text as the spreadsheet shows it, as far as an id or a number needs."""
    value = cell.value
    if value is None:
        return Cell("")
    if isinstance(value, bool):
        return Cell("TRUE" if value else "FALSE")
    if isinstance(value, datetime.datetime):
        midnight = value.time() == datetime.time()
        return Cell(value.date().isoformat() if midnight else value.isoformat(), "date")
    if isinstance(value, datetime.date | datetime.time | datetime.timedelta):
        return Cell(str(value), "date")
    if isinstance(value, int) or (isinstance(value, float) and value.is_integer()):
        # an id typed as a number keeps the zeros that its cell format shows
        width = len(cell.number_format) if _ZERO_PADDED.match(cell.number_format or "") else 0
        return Cell(str(int(value)).zfill(width), "number")
    if isinstance(value, float):
        return Cell(repr(value), "number")
    return Cell(_trim(str(value)))


# --- both ---------------------------------------------------------------------------------------


def _table(records: list[list[Cell]], *, comma_is_decimal: bool = False) -> CellTable:
    if not records:
        return CellTable((), ())
    used = max((i + 1 for record in records for i, cell in enumerate(record) if cell.text),
               default=0)
    full = [(*record, *[Cell("")] * (used - len(record)))[:used] for record in records]
    rows = tuple(
        (number, cells)
        for number, cells in enumerate(full[1:], start=2)
        if any(cell.text for cell in cells)
    )
    return CellTable(tuple(cell.text for cell in full[0]), rows, comma_is_decimal)


def _trim(text: str) -> str:
    return text.replace("\N{NO-BREAK SPACE}", " ").strip()
