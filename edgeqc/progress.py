"""Progress of a folder's run on a terminal; on anything else only its problems."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager

from edgeqc.folder import FolderEvent


@contextmanager
def told_progress() -> Iterator[Callable[[FolderEvent], None]]:
    """Give a function that shows a run's events: a bar on a terminal, a line per problem."""
    from rich.console import Console
    from rich.progress import (
        BarColumn,
        MofNCompleteColumn,
        Progress,
        TextColumn,
        TimeRemainingColumn,
    )

    console = Console(stderr=True)
    columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(),
               TextColumn("{task.fields[rate]}"), TimeRemainingColumn())
    with Progress(*columns, console=console, disable=not console.is_terminal) as progress:
        task = progress.add_task("pictures", total=None, rate="")

        def report(event: FolderEvent) -> None:
            if event.kind == "planned":
                progress.update(task, total=event.pictures)
                if event.kept and console.is_terminal:
                    console.print(f"{event.kept} pictures are kept from an earlier run",
                                  markup=False, highlight=False)
            elif event.kind == "finished":
                progress.advance(task, event.pictures)
                speed = progress.tasks[0].speed
                progress.update(task, rate=f"{speed * 60:.1f} a minute" if speed else "")
            else:
                # names of files are shown as they are, never read as markup
                console.print(event.text, markup=False, highlight=False, soft_wrap=True)

        yield report
