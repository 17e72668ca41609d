"""How far long work has come, shown at a terminal while it lasts. Standard output gets none of it."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager


@contextmanager
def headway(what: str, of: int) -> Iterator[Callable[[str], None]]:
    """Show a bar of `of` pieces; yield what is called for each piece that is done, with a line to print or ""."""
    if not sys.stderr.isatty():
        yield _only_say
        return
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TimeElapsedColumn, TimeRemainingColumn

    columns = (BarColumn(), MofNCompleteColumn(), TimeElapsedColumn(), "gone, about", TimeRemainingColumn(), "to go")
    progress = Progress(
        "{task.description}",
        *columns,
        console=Console(stderr=True, highlight=False),
        transient=True,
        redirect_stdout=False,
        redirect_stderr=False,
        refresh_per_second=2,
    )
    task = progress.add_task(what, total=of)

    def step(line: str) -> None:
        if line and sys.stdout.isatty():
            progress.console.print(line, markup=False)  # above the bar
        elif line:
            _only_say(line)
        progress.advance(task)

    with progress:
        yield step


def _only_say(line: str) -> None:
    if line:
        print(line, flush=True)
