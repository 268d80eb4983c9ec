"""A function called in a process of its own, so that a crash or a hang costs one call only."""

from __future__ import annotations

import contextlib
import os
import pickle
import queue
import re
import signal
import subprocess
import sys
import tempfile
import threading
from types import TracebackType
from typing import IO

from edgeqc.guarded_reply import Reply

# a first import of the numerical libraries from a slow network drive
START_LIMIT_S = 300.0
_LAST_WORDS = 4000  # bytes of the error stream that are kept
_KEPT_MEMORY = {"MALLOC_MMAP_THRESHOLD_": str(32 << 20), "MALLOC_TRIM_THRESHOLD_": str(256 << 20)}
"""Let the C library keep freed picture planes for the next ones instead of giving them back page
by page; a cluster's worker asks it for the opposite, which nearly halved the speed."""
_ONE_THREAD = {name: "1" for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS",
                                      "MKL_NUM_THREADS")}


class GuardedProcess:
    """A process that calls one function again and again, and is replaced where it fails.

    Parameters
    ----------
    function : str
        ``module:name`` of a function of one picklable argument.
    memory_limit_mb : int
        Most memory of its own that the process may have, where the system can hold it to that.
    """

    def __init__(self, function: str, *, memory_limit_mb: int) -> None:
        self._function = function
        self._memory_limit_mb = memory_limit_mb
        self._process: subprocess.Popen[bytes] | None = None
        self._replies: queue.Queue[Reply | None] = queue.Queue()
        self._errors: IO[bytes] | None = None

    def __enter__(self) -> GuardedProcess:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    @property
    def pid(self) -> int | None:
        """Process id, or None while no process is running."""
        return None if self._process is None else self._process.pid

    def call(self, argument: object, *, time_limit_s: float) -> Reply:
        """Return the function's answer, or how the process failed.

        Parameters
        ----------
        argument : object
            Picklable.
        time_limit_s : float
            Longest time for the call; the start of the process is not counted.
        """
        if self._process is None or self._process.poll() is not None:
            started = self._start()
            if started.kind != "ready":
                self.close()
                return started
        if not self._send(argument):
            return self._buried()
        try:
            reply = self._replies.get(timeout=time_limit_s)
        except queue.Empty:
            self.close()
            return Reply("timeout", f"took longer than the limit of {time_limit_s:g} s")
        if reply is None:
            return self._buried()
        if reply.kind == "memory":
            self.close()  # what it holds is freed with it
            return Reply("memory", "needs more memory than the limit of "
                         f"{self._memory_limit_mb} MB", reply.log)
        return reply

    def close(self) -> None:
        """End the process, whatever it is doing."""
        process, self._process = self._process, None
        if process is not None:
            process.kill()
            for stream in (process.stdin, process.stdout):
                if stream is not None:
                    with contextlib.suppress(OSError):
                        stream.close()
            process.wait()
        if self._errors is not None:
            self._errors.close()
            self._errors = None

    def _start(self) -> Reply:
        self.close()
        self._errors = tempfile.TemporaryFile()
        process = subprocess.Popen(
            [sys.executable, "-X", "utf8", "-m", "edgeqc.guarded_main"],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=self._errors,
            env={**os.environ, **_ONE_THREAD, **_KEPT_MEMORY},
        )
        self._process, self._replies = process, queue.Queue()
        threading.Thread(target=_listen, args=(process.stdout, self._replies),
                         daemon=True).start()
        if not self._send((self._function, self._memory_limit_mb)):
            return self._buried()
        try:
            return self._replies.get(timeout=START_LIMIT_S) or self._buried()
        except queue.Empty:
            return Reply("timeout", "the measuring process does not start")

    def _send(self, message: object) -> bool:
        assert self._process is not None
        assert self._process.stdin is not None
        try:
            pickle.dump(message, self._process.stdin, protocol=pickle.HIGHEST_PROTOCOL)
            self._process.stdin.flush()
        except OSError:
            return False
        return True

    def _buried(self) -> Reply:
        """Return what is known of a process that ended by itself."""
        assert self._process is not None
        code = self._process.wait()
        words = ""
        if self._errors is not None:
            size = self._errors.seek(0, os.SEEK_END)
            self._errors.seek(max(0, size - _LAST_WORDS))
            words = self._errors.read().decode("utf-8", "replace")
        self.close()
        killed = code == -getattr(signal, "SIGKILL", 9)
        if killed:
            reason = "its measuring process was killed from outside"
        elif code < 0:
            reason = f"crashed the measuring process ({_signal_name(-code)})"
        else:
            reason = f"ended the measuring process (exit status {code})"
        return Reply("died", reason, _without_paths(words), killed=killed)


def _listen(stream: IO[bytes] | None, replies: queue.Queue[Reply | None]) -> None:
    try:
        while stream is not None:
            replies.put(pickle.load(stream))
    except (EOFError, OSError, ValueError, pickle.UnpicklingError):
        replies.put(None)


def _signal_name(number: int) -> str:
    try:
        return signal.Signals(number).name
    except ValueError:
        return f"signal {number}"


def _without_paths(text: str) -> str:
    """Return a crash report with bare file names: paths may hold names of people.

    Addresses go too: they differ from run to run and tell nobody anything.
    """
    text = re.sub("0x[0-9a-fA-F]+", "0x…", text)
    lines = []
    for line in text.splitlines():
        words = [word if "/" not in word else word.rsplit("/", 1)[-1] for word in line.split(" ")]
        lines.append(" ".join(words))
    return "\n".join(lines)
