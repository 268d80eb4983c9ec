"""Files of a folder: pictures found by pattern, subfolders and links included."""

from __future__ import annotations

import os
import stat
from collections.abc import Iterator
from dataclasses import dataclass
from fnmatch import fnmatchcase
from pathlib import Path

from edgeqc.errors import UsageError
from edgeqc.folder_settings import FolderSettings

# what marks a folder as the output of an earlier run, whose rasters are no pictures to examine
_OUTPUT_MARKS = frozenset({"run.json", "images.csv", "faces.csv"})
# rasters that this program, or a teacher of its zone model, puts beside pictures
_RASTER_ENDINGS = (".zones.png", ".overlay.png")


@dataclass(frozen=True)
class FoundFiles:
    """What a folder holds.

    Parameters
    ----------
    folder : Path
        The folder.
    images : tuple of str
        Pictures, relative to the folder with ``/`` between folders, in code-point order.
    files : tuple of str
        Every file, pictures included.
    refused : tuple of (str, str)
        Pictures that are not to be opened, and why (a pipe, a link to nothing ...).
    problems : tuple of str
        Subfolders that could not be listed or were left out, in plain sentences.
    """

    folder: Path
    images: tuple[str, ...]
    files: tuple[str, ...]
    refused: tuple[tuple[str, str], ...] = ()
    problems: tuple[str, ...] = ()


def find_files(folder: Path, settings: FolderSettings, *, out: Path | None = None) -> FoundFiles:
    """Return the pictures and the other files of a folder.

    Parameters
    ----------
    folder : Path
        Where to search.
    settings : FolderSettings
        Patterns, and whether to search subfolders.
    out : Path, optional
        The output folder, left out of the search where it lies inside.

    Notes
    -----
    Linked folders are followed, each real folder once, so a loop of links ends. Hidden files and
    folders are left out: file systems keep shadow copies of pictures there.
    """
    try:
        identity = _identity(os.stat(folder))
        os.scandir(folder).close()
    except OSError as error:
        raise UsageError(f"the folder cannot be read ({error.strerror or error})",
                         file=folder.name, remedy="check that it is there and may be read"
                         ) from error
    left_out = {identity}
    if out is not None and out.exists():
        left_out.add(_identity(os.stat(out)))
        if _identity(os.stat(out)) == identity:
            raise UsageError("the output folder is the folder of the pictures", file=folder.name,
                             rule="results are written apart from the pictures",
                             remedy="give another folder with --out")
    problems: list[str] = []
    files: list[str] = []
    refused: list[tuple[str, str]] = []
    for name, entry in _walk(folder, "", settings.subfolders, left_out, problems):
        fault = _refusal(name, entry)
        if not fault:
            files.append(name)
        elif _fits(name, settings.patterns):
            refused.append((_printable(name), fault))
    images = _without_rasters([name for name in files if _fits(name, settings.patterns)])
    return FoundFiles(folder, tuple(sorted(images)), tuple(sorted(files)),
                      tuple(sorted(refused)), tuple(problems))


def _walk(
    folder: Path, prefix: str, deep: bool, seen: set[tuple[int, int]], problems: list[str]
) -> Iterator[tuple[str, os.DirEntry[str]]]:
    shown = _printable(prefix.rstrip("/")) or "."
    try:
        with os.scandir(folder / prefix if prefix else folder) as found:
            entries = sorted(found, key=lambda entry: entry.name)
    except OSError as error:
        problems.append(f"{shown}: the subfolder cannot be read ({error.strerror or error})")
        return
    if prefix and {entry.name for entry in entries} >= _OUTPUT_MARKS:
        problems.append(f"{shown}: left out, it holds the results of a run")
        return
    for entry in entries:
        if entry.name.startswith("."):
            continue
        if not _is_folder(entry):
            yield prefix + entry.name, entry
        elif deep:
            key = _identity(entry.stat())
            if key not in seen:
                seen.add(key)
                yield from _walk(folder, f"{prefix}{entry.name}/", deep, seen, problems)


def _is_folder(entry: os.DirEntry[str]) -> bool:
    try:
        return entry.is_dir()
    except OSError:  # a link that points to itself
        return False


def _identity(status: os.stat_result) -> tuple[int, int]:
    return status.st_dev, status.st_ino


def _refusal(name: str, entry: os.DirEntry[str]) -> str:
    """Return why a file is not to be opened, or nothing."""
    if _printable(name) != name:
        return "the file's name is not valid text; rename it"
    try:
        mode = entry.stat().st_mode
    except OSError as error:
        return f"the file cannot be reached ({error.strerror or error})"
    # opening a pipe or a device would wait for ever
    return "" if stat.S_ISREG(mode) else "not a regular file"


def _without_rasters(images: list[str]) -> list[str]:
    """Leave out label rasters and overlays that lie beside the picture they were made of."""
    stems = {name.rpartition(".")[0] for name in images}
    return [name for name in images
            if not any(name.endswith(end) and _raster_of(name, end) in stems
                       for end in _RASTER_ENDINGS)]


def _raster_of(name: str, ending: str) -> str:
    """Return the stem of a raster's picture: ``a`` for ``a.zones.png`` and ``a.p2.zones.png``."""
    stem = name.removesuffix(ending)
    head, mark, page = stem.rpartition(".p")
    return head if mark and page.isdigit() else stem


def _printable(name: str) -> str:
    """Return a name as valid text; bytes that are none are shown by their code."""
    raw = name.encode("utf-8", "surrogateescape")
    return raw.decode("utf-8", "backslashreplace")


def _fits(name: str, patterns: tuple[str, ...]) -> bool:
    bare = name.rpartition("/")[2].lower()
    return any(fnmatchcase(bare, pattern.lower()) for pattern in patterns)
