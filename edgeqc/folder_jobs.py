"""Specimens of a folder: which pictures belong together, their folder name, their fingerprint."""

from __future__ import annotations

import dataclasses
import hashlib
import json
import re
import unicodedata
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

from edgeqc.folder_search import FoundFiles
from edgeqc.specimen_sheet import Sheet, SheetRow

# names that stand at the top of the output folder, or that file systems reserve
_TAKEN = frozenset({"images.csv", "faces.csv", "run.json", "index.html", "run.xlsx",
                    "problems.log"})
_RESERVED = re.compile(r"(con|prn|aux|nul|com[0-9]|lpt[0-9])(\..*)?", re.IGNORECASE)
_UNSAFE = re.compile(r'[<>:"/\\|?*\x00-\x1f\x7f]')
_LONGEST = 100  # bytes: file systems allow 255, and paths on some are held to 260 in all
_CHUNK = 1 << 20


@dataclass(frozen=True)
class JobPicture:
    """One picture file of a specimen.

    Parameters
    ----------
    name : str
        File name relative to the folder, ``/`` between folders.
    rows : tuple of SheetRow
        What the sheet says of it: a row for the whole file, or rows for single pages.
    side_files : tuple of str
        Files of the same stem beside it, and its height map: they may bear on the result.
    """

    name: str
    rows: tuple[SheetRow, ...]
    side_files: tuple[str, ...] = ()


@dataclass(frozen=True)
class SpecimenJob:
    """One specimen to examine.

    Parameters
    ----------
    specimen : str
        Its id, as text.
    pictures : tuple of JobPicture
        Its pictures, in order of their names.
    folder_name : str
        Name of its folder below the output folder.
    """

    specimen: str
    pictures: tuple[JobPicture, ...]
    folder_name: str


def plan_jobs(found: FoundFiles, sheet: Sheet) -> tuple[SpecimenJob, ...]:
    """Return the specimens of a folder, in order of their ids.

    Notes
    -----
    A picture that is not on the sheet is its own specimen, never part of a listed one, though
    its stem be a listed specimen's id. The pages of a file belong to the specimen of the file's
    first listed row: a file is examined once.
    """
    heights = {row.height_map for row in sheet.rows if row.height_map}
    images = [name for name in found.images if name not in heights]
    pages = (1, *sorted({row.page for row in sheet.rows if row.page}))
    listed = {name: rows for name in images if (rows := _listed_rows(name, sheet, pages))}
    ids = _own_ids([name for name in images if name not in listed],
                   {rows[0].specimen for rows in listed.values()})
    beside, pictures = _by_stem(found.files), set(found.images)
    groups: defaultdict[str, list[JobPicture]] = defaultdict(list)
    for name in images:
        rows = listed.get(name) or (SheetRow(image=name, specimen=ids[name]),)
        sides = {file for file in beside[_stem(name)] if file not in pictures}
        sides |= {row.height_map for row in rows if row.height_map}
        groups[rows[0].specimen].append(JobPicture(name, rows, tuple(sorted(sides))))
    folders = folder_names(groups)
    return tuple(
        SpecimenJob(specimen, tuple(sorted(groups[specimen], key=lambda p: p.name)),
                    folders[specimen])
        for specimen in sorted(groups)
    )


def _listed_rows(name: str, sheet: Sheet, pages: Iterable[int]) -> tuple[SheetRow, ...]:
    """Return every row that the sheet has for a file, whichever page it is for."""
    rows = (sheet.row_for(name, page) for page in pages)
    return tuple(dict.fromkeys(row for row in rows if row.listed))


def _own_ids(names: Iterable[str], taken: set[str]) -> dict[str, str]:
    """Return an id for each picture without a row: as short as tells them apart."""
    forms = {
        name: (PurePosixPath(name).stem, str(PurePosixPath(name).with_suffix("")), name)
        for name in names
    }
    counts = Counter(form for options in forms.values() for form in set(options))
    return {
        name: next((form for form in options if counts[form] == 1 and form not in taken), name)
        for name, options in forms.items()
    }


def _stem(name: str) -> str:
    return str(PurePosixPath(name).with_suffix(""))


def _by_stem(files: Iterable[str]) -> defaultdict[str, list[str]]:
    """Return files by stem: ``a.txt`` and ``a.tif.txt`` stand beside ``a.tif``."""
    beside: defaultdict[str, list[str]] = defaultdict(list)
    for file in files:
        stem = _stem(file)
        beside[stem].append(file)
        if PurePosixPath(stem).suffix:
            beside[_stem(stem)].append(file)
    return beside


# --- folder names -------------------------------------------------------------------------------


def folder_names(specimens: Iterable[str]) -> dict[str, str]:
    """Return a folder name for each specimen id, safe on every file system and unique.

    Notes
    -----
    Depends on the set of ids alone, not on their order. Ids that fall together (equal but for
    case, or after unsafe characters were replaced) get a piece of the id's hash behind them;
    an id that needed no change keeps its plain name.

    Examples
    --------
    >>> folder_names(["SM-014/b"])
    {'SM-014/b': 'SM-014_b'}
    """
    ids = sorted(set(specimens))
    plain = {specimen: _safe(specimen) for specimen in ids}
    names: dict[str, str] = {}
    used = set(_TAKEN)
    # ids that are their own folder name come first, so that no changed one takes their place
    for specimen in sorted(ids, key=lambda s: (plain[s] != s, s)):
        name = plain[specimen]
        if name.casefold() in used:
            digest = hashlib.sha256(specimen.encode("utf-8", "surrogatepass")).hexdigest()
            name = f"{name}-{digest[:8]}"
        used.add(name.casefold())
        names[specimen] = name
    return names


def _safe(text: str) -> str:
    name = _UNSAFE.sub("_", unicodedata.normalize("NFC", text)).strip().rstrip(". ")
    name = name.lstrip(".") or "_"  # a leading point would hide the folder
    if _RESERVED.fullmatch(name):
        name = f"_{name}"
    raw = name.encode("utf-8", "replace")
    if len(raw) <= _LONGEST:
        return name
    digest = hashlib.sha256(raw).hexdigest()[:8]
    return f"{raw[: _LONGEST - 9].decode('utf-8', 'ignore')}-{digest}"


# --- fingerprints -------------------------------------------------------------------------------


def fingerprint(job: SpecimenJob, folder: Path, context: Mapping[str, str]) -> str:
    """Return the hash of everything that a specimen's result depends on.

    Parameters
    ----------
    job : SpecimenJob
        The specimen.
    folder : Path
        The folder of the pictures.
    context : mapping of str to str
        Protocol hash, software version and the like.

    Raises
    ------
    OSError
        Where a file has vanished or cannot be read.

    Notes
    -----
    By content: a copied or touched file is not stale, a changed pixel is. The row's number on
    the sheet is left out, so that a row put in above leaves the others fresh.
    """
    pictures = [
        {
            "name": picture.name,
            "sha256": file_sha256(folder / picture.name),
            "rows": [dataclasses.asdict(dataclasses.replace(row, row=int(row.listed)))
                     for row in picture.rows],
            "sides": {name: file_sha256(folder / name) for name in picture.side_files},
        }
        for picture in job.pictures
    ]
    text = json.dumps({"specimen": job.specimen, "pictures": pictures, **context},
                      sort_keys=True, ensure_ascii=True)
    return hashlib.sha256(text.encode()).hexdigest()


def file_sha256(path: Path) -> str:
    """Return the SHA-256 of a file's bytes, in hexadecimal."""
    digest = hashlib.sha256()
    with path.open("rb") as file:
        while chunk := file.read(_CHUNK):
            digest.update(chunk)
    return digest.hexdigest()
