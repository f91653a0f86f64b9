"""What is being done and how far it is, on standard error while a command works; nothing unless that is a terminal.

The bar leaves no trace: it is wiped when the work ends, when it fails and when it is interrupted.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from rich.progress import Progress as RichProgress
    from rich.progress import TaskID

READING: Final = "reading"
# What a command does with records once all are read: how far it is cannot be told, only for how long.
AFTER_READING: Final = "working it out"


class Working:
    """A bar of one task. Call it with what is done and what there is in all (0 if unknown), as work is told of it."""

    def __init__(self, bar: RichProgress, what: str) -> None:
        self._bar = bar
        self._what = what
        self._task: TaskID = bar.add_task(what, total=None)

    def __call__(self, done: int, total: int) -> None:
        all_read = self._what == READING and 0 < total <= done
        if all_read:
            self._bar.update(self._task, description=AFTER_READING, total=None)
        else:
            self._bar.update(self._task, description=self._what, completed=done, total=total or None)

    def stage(self, what: str) -> None:
        """Something else is being done now, and nothing tells how far it is."""
        self._what = what
        self._bar.reset(self._task, description=what, total=None)


@contextmanager
def progress_bar(*, quiet: bool, what: str = READING, counted: bool = False) -> Iterator[Working | None]:
    """What to pass as `progress` during long work: a bar on standard error, None unless that is a terminal.

    what: is done first; counted: things are, not octets.
    """
    if quiet or not sys.stderr.isatty():
        yield None
        return
    from rich.console import Console
    from rich.progress import BarColumn, DownloadColumn, MofNCompleteColumn, TextColumn, TimeElapsedColumn
    from rich.progress import Progress as Bar

    amount = MofNCompleteColumn() if counted else DownloadColumn()
    columns = (TextColumn("{task.description}", markup=False), BarColumn(), amount, TimeElapsedColumn())
    with Bar(*columns, console=Console(stderr=True), transient=True) as bar:
        yield Working(bar, what)


def stage(working: Working | None, what: str) -> None:
    """Tells what is being done now, where somebody looks."""
    if working is not None:
        working.stage(what)
