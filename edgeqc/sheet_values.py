"""Values of the specimen sheet's cells: numbers with either decimal sign, sides, angles."""

from __future__ import annotations

import math
import re

from edgeqc.sheet_cells import Cell

FREED_BY = "freed_by"
WAYS_FREED = ("scissors", "traction", "both", "unknown")
SIDES = ("top", "bottom", "left", "right", "unknown")
_NUMBER = re.compile(r"[+-]?([0-9]+([.,][0-9]*)?|[.,][0-9]+)([eE][+-]?[0-9]+)?")
_THOUSANDS = re.compile(r"[+-]?[1-9][0-9]{0,2},[0-9]{3}")
_ID_COLUMNS = ("image", "specimen", "lens", "fragment", "pair", "anterior", "tilt_axis")
# across a horizontal axis distance grows with the row number (see measure.stereo_geometry)
_AXES = {"vertical": 0.0, "horizontal": -90.0}


class NumberReader:
    """Reads number cells and remembers which decimal sign the sheet uses.

    It learns: a sheet that mixes both signs may mean thousands by one of them, and then every
    number on it is in doubt.
    """

    def __init__(self, comma_is_decimal: bool) -> None:
        self._comma_is_decimal = comma_is_decimal
        self._point_rows: list[int] = []
        self._comma_rows: list[int] = []

    def read(
        self, cell: Cell, column: str, row: int, limits: tuple[float, float], faults: list[str]
    ) -> float | None:
        """Return a cell's number, or None for an empty cell or a fault (added to ``faults``)."""
        text = cell.text
        if not text:
            return None
        where = f"row {row}, column {column}"
        if cell.kind == "date":
            faults.append(f"{where}: the spreadsheet has made a date of this cell "
                          f"({text}); type the number anew as text")
            return None
        plain = text.replace("\N{MINUS SIGN}", "-")
        if not _NUMBER.fullmatch(plain):
            faults.append(f"{where}: {text!r} is not a number{_unit_hint(plain, column)}")
            return None
        if not self._comma_is_decimal and _THOUSANDS.fullmatch(plain):
            faults.append(f"{where}: {text!r} may mean {plain.replace(',', '.')} or "
                          f"{plain.replace(',', '')}; write it with a point or without a sign")
            return None
        if "," in plain:
            self._comma_rows.append(row)
        elif "." in plain and cell.kind == "text":
            self._point_rows.append(row)
        value = float(plain.replace(",", "."))
        low, high = limits
        if not math.isfinite(value) or not (low < value <= high) or abs(value) == -low:
            faults.append(f"{where}: {text} is out of range (more than {low:g}, "
                          f"{'less than' if high == -low else 'at most'} {high:g})")
            return None
        return value

    def mixed_signs(self) -> list[str]:
        """Return a fault where the sheet uses both decimal comma and decimal point."""
        if not (self._point_rows and self._comma_rows):
            return []
        rare, sign = min((self._point_rows, "point"), (self._comma_rows, "comma"),
                         key=lambda pair: len(pair[0]))
        at = ", ".join(map(str, sorted(set(rare))))
        return [f"the sheet mixes decimal points and decimal commas (a {sign} in row {at}); "
                "one of them may mean thousands"]


def _unit_hint(text: str, column: str) -> str:
    head = _NUMBER.match(text)
    if head is None:
        return ""
    unit = column.rpartition("_")[2] if "_" in column else ""
    if text.count(",") + text.count(".") > 1:
        return "; write it without a sign for thousands"
    return f"; write the figure alone{f', in {unit}' if unit else ''}"


def plain_text(cell: Cell, column: str, row: int, faults: list[str]) -> str:
    """Return a text cell; a date is a fault where an id belongs."""
    if cell.kind == "date" and column in _ID_COLUMNS:
        faults.append(f"row {row}, column {column}: the spreadsheet has made a date of this cell "
                      f"({cell.text}); type the id anew as text")
    return cell.text


def anterior_of(
    text: str, faces: int | None, row: int, faults: list[str]
) -> tuple[str, ...]:
    """Return the anterior sides, one for all faces or one for each."""
    if not text:
        return ()
    sides = tuple(part.strip().casefold() or "unknown" for part in text.split(";"))
    for side in sides:
        if side not in SIDES:
            faults.append(f"row {row}, column anterior: {side!r} is none of "
                          f"{', '.join(SIDES)} (a list for several faces is separated by ;)")
            return ()
    if len(sides) > 1 and faces is not None and len(sides) != faces:
        faults.append(f"row {row}, column anterior: {len(sides)} sides are listed for "
                      f"{faces} faces")
    return sides


def extra_of(text: str, column: str, row: int, faults: list[str]) -> str:
    """Return the text of a column that is carried through; that of ``freed_by`` is checked."""
    if column != FREED_BY:
        return text
    word = text.strip().casefold()
    if word and word not in WAYS_FREED:
        faults.append(f"row {row}, column {FREED_BY}: {text!r} is none of {', '.join(WAYS_FREED)}")
        return ""
    return word


def tilt_axis_of(text: str, row: int, faults: list[str]) -> float | None:
    """Return the direction of the tilt axis in degrees from the row axis."""
    if not text:
        return None
    word = text.casefold().replace("\N{MINUS SIGN}", "-")
    if word in _AXES:
        return _AXES[word]
    value = float(word.replace(",", ".")) if _NUMBER.fullmatch(word) else math.nan
    if not -180.0 <= value <= 180.0:
        faults.append(f"row {row}, column tilt_axis: {text!r} is neither 'vertical' nor "
                      "'horizontal' nor an angle between -180 and 180 degrees")
        return None
    return value
