"""The guarded process: calls one function on request, under a memory limit.

Started by ``guarded_call``; speaks pickles over its standard input and output.
"""

from __future__ import annotations

import errno
import faulthandler
import gc
import importlib
import os
import pickle
import queue
import sys
import threading
import traceback
from collections.abc import Callable
from pathlib import PurePath
from typing import Any, BinaryIO

from edgeqc.errors import EdgeqcError
from edgeqc.guarded_reply import Reply

_WRITING_ERRORS = frozenset({
    errno.ENOSPC, errno.EDQUOT, errno.EROFS, errno.EFBIG, errno.EACCES, errno.EPERM, errno.EIO,
})
_OUT_OF_MEMORY = ("Insufficient memory", "OutOfMemoryError", "Failed to allocate")


def main() -> None:
    """Answer requests until the other side closes the pipe."""
    requests = os.fdopen(os.dup(0), "rb")
    replies = os.fdopen(os.dup(1), "wb")
    # a library that prints must not write into the answers
    os.dup2(os.open(os.devnull, os.O_RDONLY), 0)
    os.dup2(2, 1)
    faulthandler.enable()
    waiting: queue.Queue[Any] = queue.Queue()
    threading.Thread(target=_receive, args=(requests, waiting), daemon=True).start()
    function_name, memory_limit_mb = waiting.get()
    try:
        function = _load(function_name)
        _one_thread()
        first = Reply("ready")
    except Exception:
        first = Reply("unexpected", "the measuring process cannot start", _traceback())
    _limit_memory(memory_limit_mb)
    _send(replies, first)
    while first.kind == "ready":
        _send(replies, _answer(function, waiting.get()))
        gc.collect()


def _receive(requests: BinaryIO, waiting: queue.Queue[Any]) -> None:
    """Pass requests on; end the process when the other side is gone, even amid a call."""
    try:
        while True:
            waiting.put(pickle.load(requests))
    except (EOFError, OSError):
        os._exit(0)


def _load(name: str) -> Callable[[Any], Any]:
    module, _, attribute = name.partition(":")
    function = getattr(importlib.import_module(module), attribute)
    assert callable(function)
    return function  # type: ignore[no-any-return]


def _one_thread() -> None:
    """Keep each picture to one core: several are examined at once, and sums keep their order."""
    if "cv2" in sys.modules:  # not worth its loading for a function that has no use for it
        sys.modules["cv2"].setNumThreads(1)


def _limit_memory(limit_mb: int) -> None:
    try:
        import resource
    except ImportError:  # not on every system
        return
    # the data limit, not the address space: mapped files and libraries are no memory of ours
    _, hard = resource.getrlimit(resource.RLIMIT_DATA)
    wanted = limit_mb << 20
    if hard != resource.RLIM_INFINITY:
        wanted = min(wanted, hard)
    resource.setrlimit(resource.RLIMIT_DATA, (wanted, hard))


def _answer(function: Callable[[Any], Any], argument: Any) -> Reply:
    try:
        return Reply("done", value=function(argument))
    except MemoryError:
        return Reply("memory", log=_traceback())
    except EdgeqcError as error:
        cause = error.__cause__
        if isinstance(cause, OSError) and _is_writing_error(cause):
            return Reply("output", str(error))
        return Reply("refused", str(error))
    except OSError as error:
        if _is_writing_error(error):
            return Reply("output", error.strerror or str(error))
        return Reply("unexpected", _sentence(error), _traceback())
    except Exception as error:
        # the last net: one picture's fault must not end the others
        if any(mark in str(error) for mark in _OUT_OF_MEMORY):
            return Reply("memory", log=_traceback())
        return Reply("unexpected", _sentence(error), _traceback())


def _is_writing_error(error: OSError) -> bool:
    return error.errno in _WRITING_ERRORS


def _sentence(error: BaseException) -> str:
    return f"an unexpected {type(error).__name__}; the log has its traceback"


def _traceback() -> str:
    """Return the traceback with bare file names: paths may hold names of people."""
    kind, error, trace = sys.exc_info()
    lines = [
        f"  {_short(frame.filename)}:{frame.lineno} in {frame.name}"
        for frame in traceback.extract_tb(trace)
    ]
    words = " ".join(_short(word) for word in str(error).split(" "))
    return "\n".join([*lines, f"{kind.__name__ if kind else 'Error'}: {words}"])


def _short(path: str) -> str:
    """Return the last two parts of a path, or the word itself."""
    if "/" not in path and "\\" not in path:
        return path
    return "/".join(PurePath(path).parts[-2:])


def _send(replies: BinaryIO, reply: Reply) -> None:
    pickle.dump(reply, replies, protocol=pickle.HIGHEST_PROTOCOL)
    replies.flush()


if __name__ == "__main__":
    main()
