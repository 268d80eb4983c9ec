"""One or a few specimens named on the command line, examined one after the other."""

from __future__ import annotations

import json
from collections import Counter, defaultdict
from collections.abc import Callable, Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import edgeqc
from edgeqc.errors import OutputError, UsageError
from edgeqc.findings import Findings
from edgeqc.folder_examiner import examine_leaving_out
from edgeqc.folder_jobs import folder_names
from edgeqc.protocol import Protocol, read_protocol
from edgeqc.report.tables import (
    IMAGE_COLUMNS,
    face_columns,
    face_rows,
    image_rows,
    write_table,
)
from edgeqc.specimen import SpecimenResult
from edgeqc.specimen_sheet import Sheet, read_sheet


def examine_few(
    images: Sequence[Path],
    out: Path,
    *,
    sheet: Path | None = None,
    protocol: Path | None = None,
    tell: Callable[[str], None] = lambda line: None,
) -> int:
    """Examine pictures by specimen, write the reports and tables, and return the exit code.

    Parameters
    ----------
    images : sequence of Path
        Picture files; their bare names must differ.
    out : Path
        Folder of the results.
    sheet, protocol : Path, optional
        Specimen sheet and specimen protocol.
    tell : callable
        Told one line at a time what came out.

    Returns
    -------
    int
        0 all measured or for review, 1 where a picture failed or was rejected.

    Raises
    ------
    UsageError
        Two pictures have one name, or sheet or protocol are wrong; nothing has been measured.
    OutputError
        The results cannot be written.
    """
    started = datetime.now(UTC)
    settings = read_protocol(protocol, kind="specimen")
    rows = Sheet() if sheet is None else read_sheet(sheet)
    groups = _by_specimen(images, rows)
    folders = folder_names(groups)
    done = []
    try:
        out.mkdir(parents=True, exist_ok=True)
        for name, paths in groups.items():
            result = examine_leaving_out(
                paths, out / folders[name], sheet=rows, protocol=settings, specimen=name)
            done.append(result.findings)
            for line in _news(result):
                tell(line)
        _write_run(out, done, settings, started)
    except OSError as error:
        raise OutputError(
            f"the results cannot be written ({error.strerror or error})", file=out.name,
            remedy="Give a folder that can be written to, with room in it.") from error
    tell(f"Tables and reports are in {out}.")
    whole = all(item.status in ("measured", "review") for each in done for item in each.images)
    return 0 if whole else 1


def _by_specimen(images: Sequence[Path], sheet: Sheet) -> dict[str, list[Path]]:
    """Return the pictures of each specimen, in the order given."""
    twice = [name for name, count in Counter(path.name for path in images).items() if count > 1]
    if twice:
        raise UsageError(
            f"several pictures are named {', '.join(twice)}",
            rule="pictures are known by their file names",
            remedy="Examine them one at a time, or as a folder.")
    groups: defaultdict[str, list[Path]] = defaultdict(list)
    for path in images:
        row = sheet.row_for(path.name)
        # without a row a picture is its own specimen, though another have the same stem
        key = row.specimen if row.listed or row.specimen not in groups else path.name
        groups[key].append(path)
    return dict(groups)


def _news(result: SpecimenResult) -> list[str]:
    findings = result.findings
    lines = [f"Specimen {findings.specimen} ({findings.verdict})",
             *(f"  {face.image}, {face.answer}" for face in findings.faces),
             *(f"  {item.image}: {item.status}: {item.reason}" for item in findings.images
               if not item.faces),
             *(f"  Note: {note}" for note in result.notes)]
    return [*lines, f"  Report: {result.folder / 'report.pdf'}"]


def _write_run(
    out: Path, done: Sequence[Findings], protocol: Protocol, started: datetime
) -> None:
    """Write the tables of the run and ``run.json``."""
    images = [row for each in done for row in image_rows(each)]
    write_table(out / "images.csv", IMAGE_COLUMNS, images)
    faces = [row for each in done for row in face_rows(each)]
    write_table(out / "faces.csv", face_columns(done), faces)
    statuses = Counter(item.status for each in done for item in each.images)
    verdicts = Counter(face.verdict for each in done for face in each.faces)
    counts: Mapping[str, int] = {
        "pictures": sum(statuses.values()),
        **{f"pictures_{name}": statuses[name]
           for name in ("measured", "review", "rejected", "failed")},
        "faces": sum(verdicts.values()),
        **{f"faces_{name}": verdicts[name] for name in ("measured", "review", "rejected")},
        "specimens": len(done),
    }
    data: dict[str, Any] = {
        "software": f"edgeqc {edgeqc.__version__}",
        "protocol": {"name": protocol.name, "version": protocol.version,
                     "sha256": protocol.sha256},
        "started": started.isoformat(timespec="seconds"),
        "finished": datetime.now(UTC).isoformat(timespec="seconds"),
        "counts": counts,
    }
    text = json.dumps(data, indent=2, ensure_ascii=False)
    (out / "run.json").write_text(text + "\n", encoding="utf-8")
