"""What comes back from the guarded process."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

Kind = Literal["ready", "done", "refused", "unexpected", "memory", "output", "died", "timeout"]


@dataclass(frozen=True)
class Reply:
    """One answer.

    Parameters
    ----------
    kind : str
        ``done`` with a value; ``refused`` by an error of ours; ``unexpected`` by any other;
        ``memory`` where the limit was met; ``output`` where a result cannot be written;
        ``died`` or ``timeout`` where the process had to be replaced; ``ready`` at the start.
    reason : str
        A plain sentence, for all but ``done``.
    log : str
        Traceback or last words, without paths.
    value : object
        What the function returned.
    killed : bool
        The process was ended from outside (out of memory, an administrator), so that another
        try may succeed.
    """

    kind: Kind
    reason: str = ""
    log: str = ""
    value: Any = None
    killed: bool = False
