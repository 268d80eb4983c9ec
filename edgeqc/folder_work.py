"""One specimen of a folder, examined under guard: its pictures' faults stay its pictures' own."""

from __future__ import annotations

import shutil
import uuid
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from edgeqc.folder_jobs import SpecimenJob, fingerprint
from edgeqc.guarded_call import GuardedProcess
from edgeqc.guarded_reply import Reply

Row = Mapping[str, Any]
"""A row of a table: text, number or None by column."""


@dataclass(frozen=True)
class Order:
    """All that is needed to examine one specimen, on this machine or another.

    Parameters
    ----------
    job : SpecimenJob
        The specimen.
    folder : str
        Absolute path of the folder of the pictures.
    aside : str
        Absolute path of a folder, not yet made, to write the results in.
    protocol : mapping
        Tables of the specimen protocol.
    context : mapping of str to str
        What the fingerprint holds beside pictures and rows.
    time_limit_s : float
        Longest time for one picture.
    memory_limit_mb : int
        Most memory of the measuring process.
    examiner : str
        ``module:name`` of the function that examines, called with this order.
    failed : mapping of str to str
        Pictures that are not to be opened, and why.
    """

    job: SpecimenJob
    folder: str
    aside: str
    protocol: Mapping[str, Any]
    context: Mapping[str, str]
    time_limit_s: float
    memory_limit_mb: int
    examiner: str
    failed: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class ExaminedRows:
    """What an examiner hands back: the specimen's rows of the two tables."""

    images: tuple[Row, ...]
    faces: tuple[Row, ...]


@dataclass(frozen=True)
class Outcome:
    """How the examination of one specimen ended.

    Parameters
    ----------
    job : SpecimenJob
        The specimen.
    aside : str
        Where its results are; not there where it has none.
    fingerprint : str
        Hash of everything that the result depends on.
    images, faces : tuple of mapping
        Its rows of the two tables.
    log : str
        Tracebacks of what failed.
    again : bool
        A failure that may not happen again.
    stop : str
        Why the whole run has to stop (nothing can be written any more); empty otherwise.
    """

    job: SpecimenJob
    aside: str
    fingerprint: str = ""
    images: tuple[Row, ...] = ()
    faces: tuple[Row, ...] = ()
    log: str = ""
    again: bool = False
    stop: str = ""


class _Trial:
    """The tries at one specimen: what has failed, what was said."""

    def __init__(self, order: Order, guard: GuardedProcess) -> None:
        # a folder of its own: the process of a lost worker may still be writing into the first
        self.order = replace(order, aside=f"{order.aside}-{uuid.uuid4().hex[:12]}")
        self.guard = guard
        self.failed: dict[str, str] = dict(order.failed)
        self.log: list[str] = []
        self.again = False
        self.stop = ""

    def call(self, names: tuple[str, ...]) -> Reply:
        """Examine these pictures; the others are told to the examiner as failed."""
        order = self.order
        failed = {picture.name: self.failed.get(picture.name, "left out of this try")
                  for picture in order.job.pictures if picture.name not in names}
        reply = Reply("died")
        for _ in range(2):  # a process that was killed gets a second chance
            shutil.rmtree(order.aside, ignore_errors=True)  # of the try before
            reply = self.guard.call(replace(order, failed=failed),
                                    time_limit_s=order.time_limit_s * max(1, len(names)))
            if reply.kind != "died":
                break
        if reply.kind == "output":
            self.stop = reply.reason
        return reply

    def fail(self, name: str, reply: Reply) -> None:
        """Note that a picture has failed."""
        self.failed[name] = reply.reason
        self.again = self.again or reply.killed
        if reply.log:
            self.log.append(f"{name}: {reply.reason}\n{reply.log}")


def run_order(order: Order, guard: GuardedProcess) -> Outcome:
    """Return how the examination of one specimen ended; never raises for a picture's fault.

    Parameters
    ----------
    order : Order
        The specimen and where its things are.
    guard : GuardedProcess
        The process that measures.

    Notes
    -----
    Where the specimen fails as a whole and has several pictures, each is tried alone; those
    that fail alone are left out, and the specimen is examined from the rest.
    """
    trial = _Trial(order, guard)
    names = tuple(p.name for p in order.job.pictures if p.name not in trial.failed)
    mark, names = _readable(trial, names)
    reply = trial.call(names)
    if reply.kind not in ("done", "output") and len(names) > 1:
        names = _sound_alone(trial, names)
        reply = trial.call(names) if not trial.stop else reply
    if reply.kind not in ("done", "output") and names:
        for name in names:
            trial.fail(name, reply)
        reply = trial.call(())  # the report says what failed
    aside = trial.order.aside
    if trial.stop:
        return Outcome(order.job, aside, stop=trial.stop)
    if reply.kind != "done":
        shutil.rmtree(aside, ignore_errors=True)  # a report half written is none
    rows = reply.value if reply.kind == "done" else _bare_rows(trial)
    return Outcome(order.job, aside, mark, rows.images, rows.faces,
                   "\n\n".join(trial.log), trial.again)


def _readable(trial: _Trial, names: tuple[str, ...]) -> tuple[str, tuple[str, ...]]:
    """Return the fingerprint, and the pictures that are there; the others are failed."""
    order = trial.order
    try:
        return fingerprint(order.job, Path(order.folder), order.context), names
    except OSError:
        pass
    left = []
    for name in names:
        try:
            with (Path(order.folder) / name).open("rb") as file:
                file.read(1)
            left.append(name)
        except OSError as error:
            why = "the file has vanished" if isinstance(error, FileNotFoundError) else (
                f"the file cannot be read ({error.strerror or error})")
            trial.fail(name, Reply("refused", why))
    trial.again = True  # there is no fingerprint to know it by
    return "", tuple(left)


def _sound_alone(trial: _Trial, names: tuple[str, ...]) -> tuple[str, ...]:
    sound = []
    for name in names:
        reply = trial.call((name,))
        if trial.stop:
            break
        if reply.kind == "done":
            sound.append(name)
        else:
            trial.fail(name, reply)
    return tuple(sound)


def _bare_rows(trial: _Trial) -> ExaminedRows:
    """Return rows that name only the failures, where no report could be had."""
    job = trial.order.job
    return ExaminedRows(tuple(
        failed_row(p.name, job.specimen, trial.failed.get(p.name, "not examined"))
        for p in job.pictures
    ), ())


def failed_row(image: str, specimen: str, reason: str) -> Row:
    """Return the ``images.csv`` row of a picture of which nothing is known but why."""
    return {"image": image, "specimen": specimen, "status": "failed", "faces": 0,
            "pixel_size_source": "none", "reason": reason}
