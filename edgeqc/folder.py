"""The folder pipeline: every specimen of a folder examined, tabled and listed."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Callable, Generator, Iterable, Mapping
from contextlib import closing
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Literal

import edgeqc
from edgeqc.errors import OutputError, UsageError
from edgeqc.folder_index import index_page
from edgeqc.folder_jobs import SpecimenJob, fingerprint, plan_jobs
from edgeqc.folder_search import FoundFiles, find_files
from edgeqc.folder_settings import FolderSettings
from edgeqc.folder_tables import sorted_rows, workbook_bytes
from edgeqc.folder_work import Order, Outcome, Row, failed_row
from edgeqc.folder_workers import fitting_workers, outcomes_here, outcomes_of_workers
from edgeqc.protocol import (
    Protocol,
    protocol_of,
    protocol_tables,
    read_protocol,
    shipped_protocol,
)
from edgeqc.report.tables import FACE_COLUMNS, IMAGE_COLUMNS, write_table
from edgeqc.result_store import RECORD_VERSION, Record, ResultStore, open_store
from edgeqc.specimen_sheet import Sheet, default_row, read_sheet

EXAMINER = "edgeqc.folder_examiner:examine"


@dataclass(frozen=True)
class FolderEvent:
    """News of a run.

    Parameters
    ----------
    kind : {"planned", "finished", "problem"}
        What it is.
    pictures : int
        For ``planned`` the number to examine, for ``finished`` the number just examined.
    kept : int
        For ``planned``, the number of pictures whose results are kept.
    text : str
        For ``problem``, one line that says it.
    """

    kind: Literal["planned", "finished", "problem"]
    pictures: int = 0
    kept: int = 0
    text: str = ""


@dataclass(frozen=True)
class FolderRequest:
    """What is asked of a run; see ``examine_folder``."""

    folder: Path
    out: Path
    sheet: Path | None = None
    protocol: Path | None = None
    workers: int | None = None
    cluster: str | None = None
    redo: bool = False
    report: Callable[[FolderEvent], None] = lambda event: None
    settings: FolderSettings | None = None
    examiner: str = EXAMINER


@dataclass(frozen=True)
class FolderRun:
    """What came of a run.

    Parameters
    ----------
    images, faces : tuple of mapping
        The rows of the two tables, in their order.
    counts : mapping of str to int
        Pictures by status, faces by verdict, specimens examined now and kept.
    problems : tuple of str
        Everything that went wrong, a line each.
    """

    images: tuple[Row, ...]
    faces: tuple[Row, ...]
    counts: Mapping[str, int]
    problems: tuple[str, ...] = ()

    @property
    def exit_code(self) -> int:
        """0 where all went well, 1 where something failed, was rejected or was not readable."""
        return 1 if self.problems else 0


def examine_folder(
    folder: str | Path,
    out: str | Path,
    *,
    sheet: str | Path | None = None,
    protocol: str | Path | None = None,
    workers: int | None = 1,
    cluster: str | None = None,
    redo: bool = False,
    report: Callable[[FolderEvent], None] | None = None,
) -> FolderRun:
    """Examine every picture of a folder and return the run's tables.

    Parameters
    ----------
    folder : path
        The folder of the pictures; its subfolders are searched too.
    out : path
        Where the results go. What an earlier run has finished there is kept, unless the
        picture, its row on the sheet, the protocol or the software has changed.
    sheet : path, optional
        The specimen sheet; ``specimens.csv`` or ``specimens.xlsx`` in the folder by default.
    protocol : path, optional
        A specimen protocol, or a folder protocol that may name one.
    workers : int, optional
        Number of pictures examined at once; 0 for one a core, None for the protocol's number.
        The tables do not depend on it. More than one start processes that import the calling
        script anew, so that a script has to call this below ``if __name__ == "__main__"``.
    cluster : str, optional
        Address of a running scheduler instead of workers on this machine.
    redo : bool
        Examine everything anew.
    report : callable, optional
        Told of progress and problems as they happen.

    Returns
    -------
    FolderRun
        Rows, counts, problems and the exit code that they amount to.

    Raises
    ------
    UsageError
        The folder, the sheet or the protocol is wrong; nothing has been measured.
    OutputError
        Nothing can be written, or another run is writing there; what is finished is kept.
    """
    return run_folder(FolderRequest(
        Path(folder), Path(out), _path(sheet), _path(protocol), workers, cluster, redo,
        report or (lambda event: None),
    ))


def _path(value: str | Path | None) -> Path | None:
    return None if value is None else Path(value)


def run_folder(request: FolderRequest) -> FolderRun:
    """Carry out a request; ``examine_folder`` in its full form."""
    started = datetime.now(UTC)
    settings, tables, protocol = read_protocols(request)
    found = find_files(request.folder, settings, out=request.out)
    sheet = _sheet(request, found, settings)
    jobs = plan_jobs(found, sheet)
    if not jobs and not found.refused:
        raise UsageError("the folder holds no pictures", file=request.folder.name,
                         rule="pictures are found by " + ", ".join(settings.patterns),
                         remedy="give the folder of the pictures, or other patterns in the "
                                "folder protocol")
    context = {"protocol": protocol.sha256, "software": edgeqc.__version__,
               "record": str(RECORD_VERSION)}
    run = _Run(request, settings, tables, context)
    for line in found.problems:
        run.problem(line)
    with open_store(request.out) as store:
        _refuse_foreign(store, jobs)
        kept = {} if request.redo else _fresh(jobs, store, request.folder, context)
        rest = [job for job in jobs if job.specimen not in kept]
        made = run.examine(rest, store, kept=sum(len(r.images) for r in kept.values()))
        result = _tabled([*kept.values(), *made], found, sheet, run.problems)
        result = _counted(result, examined=len(made), kept=len(kept))
        further = tuple(name for name in sheet.extra_columns if name not in FACE_COLUMNS)
        _write_tables(store, result, (*FACE_COLUMNS, *further))
        _write_pages(store, result, jobs, [*kept.values(), *made])
        _write_run_json(store, result, protocol, jobs, started)
    return result


# --- before -------------------------------------------------------------------------------------


def read_protocols(request: FolderRequest) -> tuple[FolderSettings, dict[str, Any], Protocol]:
    """Return the folder's settings, and the specimen protocol as tables and as settings."""
    folder_file, specimen_file = shipped_protocol("folder"), request.protocol
    if request.protocol is not None:
        head = protocol_tables(request.protocol).get("protocol", {})
        if isinstance(head, Mapping) and head.get("pipeline") == "folder":
            folder_file, specimen_file = request.protocol, None
    settings: FolderSettings = request.settings or read_protocol(
        folder_file, kind="folder")["folder"]
    if specimen_file is None and settings.specimen_protocol:
        specimen_file = folder_file.parent / settings.specimen_protocol
    specimen_file = specimen_file or shipped_protocol("specimen")
    tables = protocol_tables(specimen_file)
    return settings, tables, protocol_of(tables, kind="specimen", file=specimen_file.name)


def _sheet(request: FolderRequest, found: FoundFiles, settings: FolderSettings) -> Sheet:
    files = (*found.files, *(name for name, _ in found.refused))
    if request.sheet is not None:
        return read_sheet(request.sheet, files=files)
    for name in (settings.sheet, str(Path(settings.sheet).with_suffix(".xlsx"))):
        if (request.folder / name).is_file():
            return read_sheet(request.folder / name, files=files)
    return Sheet()


def _refuse_foreign(store: ResultStore, jobs: Iterable[SpecimenJob]) -> None:
    foreign = sorted(job.folder_name for job in jobs if store.is_foreign(job.folder_name))
    if foreign:
        names = ", ".join(repr(name) for name in foreign[:5])
        raise OutputError(
            f"it holds {names}{' and more' if len(foreign) > 5 else ''}, which no run of this "
            "command has written", file=store.out.name,
            rule="nothing is overwritten but results of a run",
            remedy="give another folder with --out, or move these away")


def _fresh(
    jobs: Iterable[SpecimenJob], store: ResultStore, folder: Path, context: Mapping[str, str]
) -> dict[str, Record]:
    """Return the records of the specimens whose results still hold."""
    fresh: dict[str, Record] = {}
    for job in jobs:
        record = store.record_of(job.folder_name)
        if record is None or record.again or record.specimen != job.specimen:
            continue
        try:
            if record.fingerprint == fingerprint(job, folder, context):
                fresh[job.specimen] = record
        except OSError:
            continue  # the worker will say what is wrong with it
    return fresh


# --- the examination ----------------------------------------------------------------------------


@dataclass
class _Run:
    """A run under way: what it was asked, and the problems it has met."""

    request: FolderRequest
    settings: FolderSettings
    tables: Mapping[str, Any]
    context: Mapping[str, str]
    problems: list[str] = field(default_factory=list)

    def problem(self, line: str) -> None:
        """Tell of a problem at once, and keep it."""
        self.problems.append(line)
        self.request.report(FolderEvent("problem", text=line))

    def examine(
        self, jobs: list[SpecimenJob], store: ResultStore, *, kept: int
    ) -> list[Record]:
        """Examine specimens; each one's results are in place when the next one is waited for."""
        orders = [self._order(number, job, store) for number, job in enumerate(jobs)]
        total = sum(len(job.pictures) for job in jobs)
        self.request.report(FolderEvent("planned", total, kept))
        made = []
        with closing(self._outcomes(orders)) as outcomes:
            for outcome in outcomes:
                if outcome.stop:
                    raise OutputError(
                        f"the results cannot be written ({outcome.stop})",
                        file=self.request.out.name,
                        remedy="free some space; what is finished is kept, and the same command "
                               "goes on from there")
                made.append(self._publish(outcome, store))
        return made

    def _order(self, number: int, job: SpecimenJob, store: ResultStore) -> Order:
        return Order(
            job=job, folder=str(self.request.folder.resolve()),
            aside=str(store.aside(str(number)).resolve()), protocol=self.tables,
            context=self.context, time_limit_s=self.settings.time_limit_s,
            memory_limit_mb=self.settings.memory_limit_mb, examiner=self.request.examiner,
        )

    def _outcomes(self, orders: list[Order]) -> Generator[Outcome, None, None]:
        asked = self.request.workers
        workers = self.settings.workers if asked is None else asked
        workers = min(workers or fitting_workers(), max(1, len(orders)))
        if workers == 1 and not self.request.cluster:
            return outcomes_here(orders)
        return outcomes_of_workers(orders, workers=workers, cluster=self.request.cluster)

    def _publish(self, outcome: Outcome, store: ResultStore) -> Record:
        record = Record(outcome.job.specimen, outcome.fingerprint, outcome.images, outcome.faces,
                        outcome.log, outcome.again)
        record = store.publish(Path(outcome.aside), outcome.job.folder_name, record)
        for row in sorted_rows(outcome.images):
            if row.get("status") in ("failed", "rejected"):
                self.problem(problem_line(row))
        self.request.report(FolderEvent("finished", len(outcome.job.pictures)))
        return record


def problem_line(row: Row) -> str:
    """Return one line on a picture that failed or was rejected."""
    reason = " ".join(row.get("reason", "").split())
    return f"{row['image']}: {row['status']}: {reason}"


# --- after --------------------------------------------------------------------------------------


def _tabled(
    records: Iterable[Record], found: FoundFiles, sheet: Sheet, problems: Iterable[str]
) -> FolderRun:
    records = list(records)
    refused = []
    for name, why in found.refused:
        row = sheet.row_for(name)
        row = row if row.listed else default_row(name)
        refused.append(failed_row(name, row.specimen, why))
    images = sorted_rows([*refused, *(row for record in records for row in record.images)])
    faces = sorted_rows(row for record in records for row in record.faces)
    # a kept failure is told again: the folder's state, not this run's share of it
    lines = [problem_line(row) for row in images
             if row.get("status") in ("failed", "rejected")]
    return FolderRun(tuple(images), tuple(faces), {},
                     tuple(dict.fromkeys([*sorted(found.problems), *lines])))


def _counted(run: FolderRun, *, examined: int, kept: int) -> FolderRun:
    statuses = Counter(row.get("status", "") for row in run.images)
    verdicts = Counter(row.get("verdict", "") for row in run.faces)
    counts = {
        "pictures": len(run.images),
        **{f"pictures_{s}": statuses[s] for s in ("measured", "review", "rejected", "failed")},
        "faces": len(run.faces),
        **{f"faces_{v}": verdicts[v] for v in ("measured", "review", "rejected")},
        "specimens": examined + kept, "specimens_examined": examined, "specimens_kept": kept,
    }
    return FolderRun(run.images, run.faces, counts, run.problems)


def _write_tables(store: ResultStore, run: FolderRun, face_columns: tuple[str, ...]) -> None:
    store.write("images.csv", lambda path: write_table(path, IMAGE_COLUMNS, run.images))
    store.write("faces.csv", lambda path: write_table(path, face_columns, run.faces))
    store.write("run.xlsx", workbook_bytes(run.faces, run.images, face_columns, IMAGE_COLUMNS))


def _write_pages(
    store: ResultStore, run: FolderRun, jobs: Iterable[SpecimenJob], records: list[Record]
) -> None:
    folders = {job.specimen: job.folder_name for job in jobs}
    files = {record.specimen: tuple(sorted(record.files or {})) for record in records}
    store.write("index.html", index_page(run.images, run.faces, folders, files).encode())
    logs = [f"{record.specimen}\n{record.log}\n" for record in
            sorted(records, key=lambda record: record.specimen) if record.log]
    if run.problems:
        text = "\n".join([*run.problems, "", *logs])
        store.write("problems.log", text.encode("utf-8", "backslashreplace"))
    else:
        store.remove("problems.log")


def _write_run_json(
    store: ResultStore, run: FolderRun, protocol: Protocol, jobs: Iterable[SpecimenJob],
    started: datetime,
) -> None:
    data = {
        "software": f"edgeqc {edgeqc.__version__}",
        "protocol": {"name": protocol.name, "version": protocol.version,
                     "sha256": protocol.sha256},
        "started": started.isoformat(timespec="seconds"),
        "finished": datetime.now(UTC).isoformat(timespec="seconds"),
        "counts": dict(run.counts),
        "folders": {job.specimen: job.folder_name for job in jobs},
        "problems": list(run.problems),
    }
    text = json.dumps(data, indent=2, ensure_ascii=True)
    store.write("run.json", f"{text}\n".encode())
