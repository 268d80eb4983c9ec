"""The output folder of a run: results appear whole or not at all, and one run writes at a time."""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import time
from collections.abc import Callable, Iterator, Mapping
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

from edgeqc.errors import OutputError

RECORD = "record.json"
RECORD_VERSION = 1
_HIDDEN = ".edgeqc"
_LOCK = "lock"


@dataclass(frozen=True)
class Record:
    """What a finished specimen's folder says of itself; written with the results, last.

    Parameters
    ----------
    specimen : str
        The specimen's id.
    fingerprint : str
        Hash of everything that the result depends on.
    images, faces : tuple of mapping
        Its rows of ``images.csv`` and ``faces.csv``.
    log : str
        Tracebacks of what failed, without paths.
    again : bool
        A failure that may not happen again: the next run tries anew.
    files : mapping of str to int
        Size of each file of the folder, this one left out.
    version : int
        Version of this record's form.
    """

    specimen: str
    fingerprint: str
    images: tuple[Mapping[str, Any], ...] = ()
    faces: tuple[Mapping[str, Any], ...] = ()
    log: str = ""
    again: bool = False
    files: Mapping[str, int] | None = None
    version: int = RECORD_VERSION


class ResultStore:
    """An output folder under lock; made by ``open_store``.

    Parameters
    ----------
    out : Path
        The output folder.
    """

    def __init__(self, out: Path) -> None:
        self.out = out
        self._hidden = out / _HIDDEN
        self._run = self._hidden / f"run-{os.getpid()}-{time.time_ns()}"
        with _writing(out):
            self._run.mkdir(parents=True)
            self._probe()

    def _probe(self) -> None:
        probe = self._run / "probe"
        probe.write_bytes(b"edgeqc\n")
        probe.unlink()

    def aside(self, name: str) -> Path:
        """Return the path of a folder to write a specimen's results in, not yet made."""
        return self._run / name

    def record_of(self, folder_name: str) -> Record | None:
        """Return the record of a finished specimen, or None where there is none to rely on."""
        folder = self.out / folder_name
        try:
            data = json.loads((folder / RECORD).read_text(encoding="utf-8"))
            record = Record(**{**data, "images": tuple(data["images"]),
                               "faces": tuple(data["faces"])})
            sizes = {name: (folder / name).stat().st_size for name in record.files or {}}
        except (OSError, ValueError, TypeError, KeyError):
            return None
        intact = record.version == RECORD_VERSION and sizes == dict(record.files or {})
        return record if intact else None

    def is_foreign(self, folder_name: str) -> bool:
        """Whether a file or folder of that name is there that no run of ours has written."""
        folder = self.out / folder_name
        return folder.exists() and not (folder / RECORD).is_file()

    def publish(self, aside: Path, folder_name: str, record: Record) -> Record:
        """Put a specimen's results in place, whole, and return its record with the file sizes.

        Parameters
        ----------
        aside : Path
            The folder that holds the results.
        folder_name : str
            Name of the specimen's folder.
        record : Record
            What to record; the sizes are filled in here.

        Notes
        -----
        Everything reaches the disk before the folder gets its name. Where an older result is
        replaced it goes aside first: a kill between the two renames leaves neither, and the
        next run measures again.
        """
        with _writing(self.out):
            aside.mkdir(parents=True, exist_ok=True)
            names = sorted(path for path in aside.rglob("*") if path.is_file())
            sizes = {path.relative_to(aside).as_posix(): path.stat().st_size for path in names}
            full = replace(record, files=sizes)
            for path in names:
                _to_disk(path)
            text = json.dumps(asdict(full), ensure_ascii=False, indent=1, sort_keys=True)
            (aside / RECORD).write_text(text + "\n", encoding="utf-8")
            _to_disk(aside / RECORD)
            _to_disk(aside)
            final = self.out / folder_name
            if final.exists():
                old = self._run / f"old-{time.time_ns()}"
                final.rename(old)
                aside.rename(final)
                _remove(old)
            else:
                aside.rename(final)
            _to_disk(self.out)
        return full

    def write(self, name: str, content: bytes | Callable[[Path], None]) -> None:
        """Put a file at the top of the output folder, whole: its bytes, or what writes them."""
        with _writing(self.out):
            aside = self._run / "top"
            if isinstance(content, bytes):
                aside.write_bytes(content)
            else:
                content(aside)
            _to_disk(aside)
            os.replace(aside, self.out / name)
            _to_disk(self.out)

    def remove(self, name: str) -> None:
        """Take a file away from the top of the output folder."""
        with _writing(self.out):
            (self.out / name).unlink(missing_ok=True)

    def finish(self) -> None:
        """Take away what this run, or a dead one before it, has left aside."""
        for path in self._hidden.iterdir() if self._hidden.is_dir() else ():
            if path.name != _LOCK:
                _remove(path)


@contextlib.contextmanager
def open_store(out: Path) -> Iterator[ResultStore]:
    """Give the output folder to one run; another run at the same time is refused.

    Parameters
    ----------
    out : Path
        The output folder, made where it is not there.

    Raises
    ------
    OutputError
        Where it cannot be written, or another run is writing there.
    """
    with _writing(out):
        (out / _HIDDEN).mkdir(parents=True, exist_ok=True)
    try:
        with _locked(out / _HIDDEN / _LOCK, out.name):
            for path in (out / _HIDDEN).iterdir():  # of runs that were killed
                if path.name != _LOCK:
                    _remove(path)
            store = ResultStore(out)
            try:
                yield store
            finally:
                store.finish()
    finally:
        # the empty hidden folder goes too, unless the next run has come already
        with contextlib.suppress(OSError):
            (out / _HIDDEN).rmdir()


@contextlib.contextmanager
def _locked(path: Path, out_name: str) -> Iterator[None]:
    """Hold a lock that ends with the process: a dead run leaves none behind."""
    handle = _lock(path, out_name)
    try:
        os.ftruncate(handle, 0)
        os.write(handle, f"{os.getpid()}\n".encode())
        yield
    finally:
        with contextlib.suppress(OSError):
            path.unlink()
        os.close(handle)


def _lock(path: Path, out_name: str) -> int:
    while True:
        with _writing(path.parent.parent):
            path.parent.mkdir(exist_ok=True)
            handle = os.open(path, os.O_RDWR | os.O_CREAT, 0o644)
        try:
            _hold(handle)
        except OSError as error:
            owner = os.read(handle, 32).decode("ascii", "replace").strip()
            os.close(handle)
            raise OutputError(
                "another run is writing into this folder"
                + (f" (process {owner})" if owner else ""), file=out_name,
                rule="one run at a time writes into a folder",
                remedy="wait for it, or give another folder with --out",
            ) from error
        try:
            current = os.stat(path)
        except FileNotFoundError:
            current = None
        # a run that just ended takes its lock file away: a lock on that file guards nothing
        if current is not None and os.path.samestat(current, os.fstat(handle)):
            return handle
        os.close(handle)


def _hold(handle: int) -> None:
    try:
        import fcntl
    except ImportError:
        import msvcrt

        msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)  # type: ignore[attr-defined]
    else:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)


@contextlib.contextmanager
def _writing(out: Path) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        raise OutputError(
            f"the results cannot be written ({error.strerror or error})", file=out.name,
            remedy="free some space or give a folder that may be written with --out; what is "
                   "finished is kept, and the same command goes on from there",
        ) from error


def _to_disk(path: Path) -> None:
    """Wait until a file, or a folder's list of names, is on the disk."""
    flags = os.O_RDONLY
    if path.is_dir() and not hasattr(os, "O_DIRECTORY"):
        return  # some systems cannot open a folder
    handle = os.open(path, flags)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _remove(path: Path) -> None:
    if path.is_dir() and not path.is_symlink():
        shutil.rmtree(path, ignore_errors=True)
    else:
        with contextlib.suppress(OSError):
            path.unlink()
