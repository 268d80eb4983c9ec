"""Comparing settings over the results of many specimens: one command, one report."""

from __future__ import annotations

import csv
import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from edgeqc.errors import OutputError, StudyError
from edgeqc.protocol import Protocol, read_protocol

if TYPE_CHECKING:
    import pandas as pd

    from edgeqc.study.results import Comparison
    from edgeqc.study.study_settings import StudySettings


@dataclass(frozen=True)
class SettingsRun:
    """What a comparison wrote.

    Parameters
    ----------
    comparison : Comparison
        The study.
    out : Path
        Folder written to.
    files : tuple of str
        Names written, relative to ``out``.
    """

    comparison: Comparison
    out: Path
    files: tuple[str, ...]


def compare_settings(
    table: pd.DataFrame,
    *,
    roughness: pd.DataFrame | None = None,
    protocol: Protocol | StudySettings | str | Path | None = None,
) -> Comparison:
    """Return the comparison of settings that a table of faces carries.

    Parameters
    ----------
    table : DataFrame
        Rows of ``faces.csv``, one or several results put together. The specimen (or lens) is
        the unit; faces are nested in it.
    roughness : DataFrame, optional
        Rows of ``roughness.csv`` with ``image`` and ``face`` to join them by.
    protocol : Protocol, StudySettings or path, optional
        What is compared and how; ``pipelines/settings.toml`` where none is given.

    Returns
    -------
    Comparison
        ``answer`` says which setting does best with its certainty, or why these data cannot.
        A table that carries no comparison (empty, without settings, one unit per setting, all
        faces in review, setting and material changing together) gives an answer and no test.

    Raises
    ------
    StudyError
        The table cannot be read as faces of specimens at all.
    """
    from edgeqc.study.comparison import compare
    from edgeqc.study.study_settings import StudySettings

    if isinstance(protocol, StudySettings):
        return compare(table, roughness, protocol)
    if not isinstance(protocol, Protocol):
        protocol = read_protocol(protocol, kind="settings")
    return compare(table, roughness, study_settings(protocol))


def study_settings(protocol: Protocol) -> StudySettings:
    """Return the study's settings from a protocol's tables."""
    from edgeqc.study.study_settings import StudySettings

    return StudySettings(protocol["design"], protocol["responses"], protocol["model"],
                         protocol["planning"])


def run_settings(
    results: Sequence[str | Path] | str | Path,
    out: str | Path,
    *,
    protocol: Protocol | str | Path | None = None,
) -> SettingsRun:
    """Return the comparison of one or several results, written to a folder.

    Parameters
    ----------
    results : path or sequence of path
        Folders that ``edgeqc folder`` wrote, or their ``faces.csv``.
    out : path
        Folder for ``settings.html``, ``settings.pdf``, ``settings.json``, tables and figures.
    protocol : Protocol or path, optional
        What is compared and how.
    """
    from edgeqc.study.pages import write_study

    chosen = protocol if isinstance(protocol, Protocol) else read_protocol(
        protocol, kind="settings")
    paths = [results] if isinstance(results, str | Path) else list(results)
    table, roughness = read_results(paths)
    comparison = compare_settings(table, roughness=roughness, protocol=chosen)
    folder = Path(out)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        files = write_study(comparison, folder, _provenance(comparison, chosen, paths))
    except OSError as error:
        raise OutputError(
            f"the folder cannot be written ({error.strerror})", file=folder.name,
            remedy="Choose another folder with --out.") from error
    return SettingsRun(comparison, folder, tuple(files))


def read_results(paths: Sequence[str | Path]) -> tuple[pd.DataFrame, pd.DataFrame | None]:
    """Return the faces, and the rows of roughness, of one or several results.

    Parameters
    ----------
    paths : sequence of path
        Results folders or their ``faces.csv``.
    """
    import pandas as pd

    if not paths:
        raise StudyError("no results were named", remedy="Name at least one results folder.")
    tables, rough = [], []
    for number, path in enumerate(paths):
        file = Path(path)
        file = file / "faces.csv" if file.is_dir() else file
        rows, header = _read_csv(file)
        # every cell is text: ids keep their leading zeros
        frame = pd.DataFrame(rows, columns=header, dtype=object)
        tables.append(frame.assign(results=str(number)))
        for part in sorted(file.parent.glob("*/roughness.csv")):
            rows, header = _read_csv(part)
            rough.append(pd.DataFrame(rows, columns=header, dtype=object).assign(
                results=str(number)))
    roughness = pd.concat(rough, ignore_index=True) if rough else None
    return pd.concat(tables, ignore_index=True), roughness


def _named(file: Path) -> str:
    """Return a table's name with its folder's: several result folders hold tables of one name."""
    return f"{file.resolve().parent.name}/{file.name}"


def _read_csv(file: Path) -> tuple[list[list[Any]], list[str]]:
    """Return rows (empty cells as None) and header of a CSV table."""
    try:
        with file.open(encoding="utf-8-sig", newline="") as stream:
            rows = list(csv.reader(stream))
    except OSError as error:
        raise StudyError(
            f"cannot be read ({error.strerror})", file=_named(file),
            rule="A results folder holds faces.csv.",
            remedy="Name a folder that edgeqc folder wrote.") from error
    except UnicodeDecodeError as error:
        raise StudyError("is not UTF-8 text", file=_named(file)) from error
    if not rows:
        return [], ["specimen"]
    header = rows[0]
    uneven = next((i for i, row in enumerate(rows[1:], start=2) if len(row) != len(header)), 0)
    if uneven:
        raise StudyError(
            f"row {uneven} has {len(rows[uneven - 1])} cells, the header {len(header)}",
            file=_named(file), remedy="Use the file as edgeqc folder wrote it.")
    return [[cell if cell != "" else None for cell in row] for row in rows[1:]], header


def _provenance(
    comparison: Comparison, protocol: Protocol, paths: Sequence[str | Path]
) -> dict[str, Any]:
    """Return where the numbers come from, label -> text."""
    found: dict[str, Any] = {
        "Software": ", ".join(f"{name} {version}"
                              for name, version in comparison.versions.items()),
        "Protocol": f"{protocol.name}, version {protocol.version}",
        "Protocol SHA-256": protocol.sha256,
    }
    for number, path in enumerate(paths, start=1):
        file = Path(path)
        file = file / "faces.csv" if file.is_dir() else file
        # the folder's own name, without the path above it: paths may hold names of people
        label = f"Input {number}, {file.resolve().parent.name}/{file.name}, SHA-256"
        found[label] = hashlib.sha256(file.read_bytes()).hexdigest()
    return found
