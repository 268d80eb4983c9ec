"""The specimen sheet: what the laboratory knows about each picture."""

from __future__ import annotations

import difflib
import hashlib
import unicodedata
from collections import Counter, defaultdict
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path, PurePosixPath

from edgeqc import sheet_values
from edgeqc.errors import SheetError
from edgeqc.sheet_cells import Cell, read_cells
from edgeqc.sheet_values import NumberReader, anterior_of, extra_of, plain_text, tilt_axis_of

TEXT_COLUMNS = ("image", "specimen", "lens", "fragment", "material", "anterior", "pair",
                "tilt_axis", "height_map", "coating", "drying", "operator", "received", "note")
# column: lowest, highest; the lowest itself is not allowed
NUMBER_COLUMNS: Mapping[str, tuple[float, float]] = {
    "pulse_energy_uj": (0.0, 1e4),
    "spot_separation_um": (0.0, 1e4),
    "line_separation_um": (0.0, 1e4),
    "pixel_size_um": (0.0, 1e3),
    "scale_bar_um": (0.0, 1e5),
    "tilt_deg": (-90.0, 90.0),
    "faces": (0.0, 99.0),
    "pair_tilt_deg": (-90.0, 90.0),
    "accelerating_voltage_kv": (0.0, 400.0),
}
KNOWN_COLUMNS = (*TEXT_COLUMNS, *NUMBER_COLUMNS)
SETTING_COLUMNS = ("material", "pulse_energy_uj", "spot_separation_um", "line_separation_um",
                   "accelerating_voltage_kv", "coating", "drying", "operator", "received")
_NEAR = 0.8  # likeness from which an unknown column is taken for a slip; ours, tried on 40 slips


@dataclass(frozen=True)
class SheetRow:
    """What the sheet says of one picture.

    Parameters
    ----------
    image : str
        File name as written on the sheet, ``/`` between folders, without the page.
    page : int or None
        Page of the file; None where the row holds for every page.
    specimen, lens, fragment, material : str
        Ids as text, leading zeros kept; ``""`` where not given. ``specimen`` is always given.
    pulse_energy_uj, spot_separation_um, line_separation_um : float or None
        The laser's settings.
    pixel_size_um, scale_bar_um : float or None
        Pixel size; length of the bar drawn in the picture.
    tilt_deg : float or None
        Tilt of the face away from the picture plane, about its length.
    anterior : tuple of {"top", "bottom", "left", "right", "unknown"}
        Side of the anterior surface: empty, one for all faces, or one for each face in order.
    faces : int or None
        Number of faces expected.
    pair : str
        Two pictures with the same value are a stereo pair of one field.
    pair_tilt_deg : float or None
        This picture's signed tilt within the pair.
    tilt_axis_deg : float or None
        Direction of the tilt axis in degrees from the row axis (0 vertical, -90 horizontal).
    height_map : str
        File with the heights, ``/`` between folders.
    accelerating_voltage_kv : float or None
        Accelerating voltage.
    coating, drying, operator, received, note : str
        As written.
    extra : tuple of (str, str)
        Unknown columns and their text, in the sheet's order.
    row : int
        Row number on the sheet (the header is row 1); 0 where the picture is not on a sheet.
    """

    image: str
    specimen: str
    page: int | None = None
    lens: str = ""
    fragment: str = ""
    material: str = ""
    pulse_energy_uj: float | None = None
    spot_separation_um: float | None = None
    line_separation_um: float | None = None
    pixel_size_um: float | None = None
    scale_bar_um: float | None = None
    tilt_deg: float | None = None
    anterior: tuple[str, ...] = ()
    faces: int | None = None
    pair: str = ""
    pair_tilt_deg: float | None = None
    tilt_axis_deg: float | None = None
    height_map: str = ""
    accelerating_voltage_kv: float | None = None
    coating: str = ""
    drying: str = ""
    operator: str = ""
    received: str = ""
    note: str = ""
    extra: tuple[tuple[str, str], ...] = ()
    row: int = 0

    @property
    def freed_by(self) -> str:
        """How the fragment was freed below the laser's cut: scissors, traction, both, unknown."""
        return dict(self.extra).get(sheet_values.FREED_BY, "")

    @property
    def listed(self) -> bool:
        """True where a sheet has this picture."""
        return self.row > 0


@dataclass(frozen=True)
class Sheet:
    """A specimen sheet.

    Parameters
    ----------
    rows : tuple of SheetRow
        In the sheet's order.
    extra_columns : tuple of str
        Names of the unknown columns, carried through as text.
    file : str
        File name of the sheet; ``""`` without a sheet.
    sha256 : str
        Hash of the sheet's bytes, in hexadecimal.
    located : bool
        True where each row's ``image`` is the exact relative name of one file of the folder.
    """

    rows: tuple[SheetRow, ...] = ()
    extra_columns: tuple[str, ...] = ()
    file: str = ""
    sha256: str = ""
    located: bool = False
    _index: dict[str, list[SheetRow]] = field(
        default_factory=dict, repr=False, compare=False, init=False)

    def __post_init__(self) -> None:
        for row in self.rows:
            for key in _keys(row.image)[: 1 if self.located else None]:
                self._index.setdefault(key, []).append(row)

    def row_for(self, image_name: str, page: int = 1) -> SheetRow:
        """Return the row of a picture, or the default row where the sheet has none.

        Parameters
        ----------
        image_name : str
            File name relative to the folder, ``/`` between folders.
        page : int
            Page of the file, from 1.

        Notes
        -----
        The most exact match decides: the whole relative path before the bare file name, the
        same capitals before others, a row for this page before one for the whole file. A match
        that several rows share equally is none.
        """
        for key in _keys(image_name):
            rows = self._index.get(key, ())
            for wanted in (page, None):
                fitting = [row for row in rows if row.page == wanted and _fits(row, image_name)]
                if len(fitting) == 1:
                    return fitting[0]
        return default_row(image_name)


def default_row(image_name: str) -> SheetRow:
    """Return the row of a picture without a sheet: its own specimen, named after its file."""
    return SheetRow(image=image_name, specimen=PurePosixPath(image_name).stem)


def read_sheet(path: Path, *, files: Collection[str] | None = None) -> Sheet:
    """Return a specimen sheet, read from CSV or XLSX, with every fault found at once.

    Parameters
    ----------
    path : Path
        The sheet: CSV (``,`` ``;`` or tab; UTF-8 with or without mark; decimal comma or point)
        or XLSX.
    files : collection of str, optional
        Every file of the folder (relative, ``/`` between folders); where given, pictures and
        height maps that the sheet names have to be among them.

    Returns
    -------
    Sheet
        The rows, typed.

    Raises
    ------
    SheetError
        Naming every fault with its row number.

    Notes
    -----
    A column that no rule knows is kept as text, unless its name is so near to a missing column's
    that it is more likely a slip of the pen: a pixel size in a misspelt column would otherwise
    be lost without a word.
    """
    path = Path(path)
    table = read_cells(path)
    columns, faults = _columns(table.header)
    rows: list[SheetRow] = []
    if "image" in columns:
        numbers = NumberReader(table.comma_is_decimal)
        for number, cells in table.rows:
            filled = {name: cells[at] for name, at in columns.items()}
            row, found = _row(number, filled, numbers)
            faults += found + _beyond_header(number, cells, table.header)
            if row is not None:
                rows.append(row)
        faults += numbers.mixed_signs()
        if files is not None:
            rows, absent = _located(rows, files)
            faults += absent
        faults += _duplicates(rows) + _pair_faults(rows)
        if not table.rows:
            faults.append("the sheet has a header and no rows")
    if faults:
        raise _sheet_error(path.name, faults)
    extra = tuple(name for name in columns if name not in KNOWN_COLUMNS)
    digest = hashlib.sha256(path.read_bytes()).hexdigest()
    return Sheet(tuple(rows), extra, path.name, digest, located=files is not None)


def _sheet_error(name: str, faults: list[str]) -> SheetError:
    head = f"{len(faults)} faults" if len(faults) > 1 else "1 fault"
    lines = "".join(f"\n  - {fault}" for fault in faults)
    return SheetError(f"the specimen sheet has {head}:{lines}", file=name,
                      remedy="mend these cells and start again; nothing has been measured")


# --- columns ------------------------------------------------------------------------------------


def _columns(header: tuple[str, ...]) -> tuple[dict[str, int], list[str]]:
    """Return the place of each column, and what is wrong with the header."""
    known = {name.casefold(): name for name in KNOWN_COLUMNS}
    names = [known.get(name.casefold(), name) for name in header]
    faults = [
        f"row 1: the column {name!r} is there {count} times"
        for name, count in Counter(names).items() if name and count > 1
    ]
    missing = [name for name in KNOWN_COLUMNS if name not in names]
    for name in names:
        if not name or name in KNOWN_COLUMNS:
            continue
        plain = name.casefold().replace(" ", "_").replace("-", "_").replace("µ", "u")
        near = difflib.get_close_matches(plain, missing, n=1, cutoff=_NEAR)
        if near:
            faults.append(f"row 1: the column {name!r} is unknown; did you mean {near[0]!r}? "
                          "(rename it, or give it a name less alike to have it carried through)")
    if "image" not in names:
        faults.append("row 1: the required column 'image' is missing")
    return {name: at for at, name in enumerate(names) if name}, faults


def _beyond_header(number: int, cells: tuple[Cell, ...], header: tuple[str, ...]) -> list[str]:
    stray = [cell.text for cell, name in zip(cells, header, strict=True)
             if cell.text and not name]
    if not stray:
        return []
    return [f"row {number}: {stray[0]!r} stands under no column name (a decimal comma in a "
            "comma-separated file splits a number in two: separate the columns by ; instead)"]


# --- rows ---------------------------------------------------------------------------------------


def _row(
    number: int, cells: Mapping[str, Cell], numbers: NumberReader
) -> tuple[SheetRow | None, list[str]]:
    faults: list[str] = []
    texts = {name: plain_text(cells.get(name, Cell("")), name, number, faults)
             for name in (*TEXT_COLUMNS, *(n for n in cells if n not in KNOWN_COLUMNS))}
    values = {name: numbers.read(cells.get(name, Cell("")), name, number, limits, faults)
              for name, limits in NUMBER_COLUMNS.items()}
    count = _face_count(values.pop("faces"), number, faults)
    anterior = anterior_of(texts.pop("anterior"), count, number, faults)
    axis = tilt_axis_of(texts.pop("tilt_axis"), number, faults)
    image, page = _page_of(texts.pop("image").replace("\\", "/"))
    if not image:
        return None, [*faults, f"row {number}: the cell 'image' is empty"]
    extra = tuple((name, extra_of(texts.pop(name), name, number, faults)) for name in cells
                  if name not in KNOWN_COLUMNS)
    texts["specimen"] = texts["specimen"] or PurePosixPath(image).stem
    texts["height_map"] = texts["height_map"].replace("\\", "/")
    row = SheetRow(image=image, page=page, anterior=anterior, faces=count, tilt_axis_deg=axis,
                   extra=extra, row=number, **texts, **values)  # type: ignore[arg-type]
    return row, faults


def _page_of(name: str) -> tuple[str, int | None]:
    stem, mark, page = name.rpartition("#")
    if mark and page.isascii() and page.isdigit() and int(page) >= 1:
        return stem, int(page)
    return name, None


def _face_count(value: float | None, number: int, faults: list[str]) -> int | None:
    if value is None:
        return None
    if value != int(value):
        faults.append(f"row {number}, column faces: {value:g} is not a whole number")
        return None
    return int(value)


# --- the sheet as a whole -----------------------------------------------------------------------


def _duplicates(rows: Iterable[SheetRow]) -> list[str]:
    places: defaultdict[tuple[str, int | None], list[int]] = defaultdict(list)
    for row in rows:
        places[unicodedata.normalize("NFC", row.image), row.page].append(row.row)
    return [
        f"rows {', '.join(map(str, at))}: the picture {image!r} is listed {len(at)} times"
        for (image, _), at in places.items() if len(at) > 1
    ]


def _pair_faults(rows: Iterable[SheetRow]) -> list[str]:
    pairs: defaultdict[str, list[SheetRow]] = defaultdict(list)
    for row in rows:
        if row.pair:
            pairs[row.pair].append(row)
    faults = []
    for name, members in pairs.items():
        at = ", ".join(str(row.row) for row in members)
        if len(members) != 2:
            faults.append(f"row{'s' * (len(members) > 1)} {at}: the pair {name!r} has "
                          f"{len(members)} picture{'s' * (len(members) > 1)}; a pair has two")
        elif members[0].specimen != members[1].specimen:
            faults.append(f"rows {at}: the pair {name!r} joins two specimens")
        elif (members[0].pair_tilt_deg is not None
              and members[0].pair_tilt_deg == members[1].pair_tilt_deg):
            faults.append(f"rows {at}: both pictures of the pair {name!r} have the same "
                          "pair_tilt_deg; heights need two tilts")
    return faults


def _located(
    rows: Iterable[SheetRow], files: Collection[str]
) -> tuple[list[SheetRow], list[str]]:
    """Return the rows with the files' own relative names, and what the folder lacks."""
    present: defaultdict[str, list[str]] = defaultdict(list)
    for file in files:
        for key in _keys(file):
            present[key].append(file)
    bare = sorted({PurePosixPath(file).name for file in files})
    found: list[SheetRow] = []
    faults: list[str] = []
    for row in rows:
        image = _locate(row.image, f"row {row.row}, column image", present, bare, faults)
        heights = _locate(row.height_map, f"row {row.row}, column height_map", present, bare,
                          faults)
        found.append(replace(row, image=image, height_map=heights))
    return found, faults


def _locate(
    name: str, where: str, present: Mapping[str, list[str]], bare: list[str], faults: list[str]
) -> str:
    if not name:
        return name
    keys = _keys(name) if "/" not in name else _keys(name)[:2]
    # files equal but for case are told apart by the exact name, which comes first
    fitting = next((present[key] for key in keys if key in present), [])
    if len(fitting) == 1:
        return fitting[0]
    if fitting:
        faults.append(f"{where}: {name!r} is in the folder {len(fitting)} times; "
                      "write the subfolder too")
    else:
        near = difflib.get_close_matches(PurePosixPath(name).name, bare, n=1, cutoff=0.85)
        hint = f"; did you mean {near[0]!r}?" if near else ""
        faults.append(f"{where}: {name!r} is not in the folder{hint}")
    return name


def _fits(row: SheetRow, image_name: str) -> bool:
    """Whether a row that names a subfolder names this picture's one."""
    return "/" not in row.image or _fold(row.image) == _fold(image_name)


def _fold(name: str) -> str:
    return unicodedata.normalize("NFC", name).casefold()


def _keys(name: str) -> tuple[str, ...]:
    """Return the keys under which a file may be looked up, the most exact first."""
    exact = unicodedata.normalize("NFC", name.removeprefix("./"))
    bare = PurePosixPath(exact).name
    # the marks keep the four kinds of key from meeting one another
    return (f"p:{exact}", f"P:{exact.casefold()}", f"n:{bare}", f"N:{bare.casefold()}")
