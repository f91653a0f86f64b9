"""Runs the store's upkeep beside the decoders (upkeep.py), each time in a process of its own.

Facts the design follows:
- merging a large site's day takes as long as it takes; the newest minute waits for none of it. A process can be made to
  give way to others (nice(2)), and gives its memory back when it ends;
- it may be ended at any moment: a change happens as a whole or not at all (store/changes.py), and what it left aside is
  swept by the next one;
- right after the start what waited in the spool comes first.
"""

from __future__ import annotations

import os
import signal
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from multiprocessing.connection import Connection
from multiprocessing.context import SpawnProcess
from typing import Any, Final

from flowdiag.collector.live.clocks import DAY_S, Today
from flowdiag.collector.live.counters import Decoded
from flowdiag.collector.live.settings import Settings
from flowdiag.collector.live.spool import spool_name

FIRST_S: Final = 60.0
EVERY_S: Final = 1_800.0
AGAIN_S: Final = 60.0
# How often damaged roll-ups are looked for.
MEND_EVERY_S: Final = DAY_S
# How far it gives way to decoders and receivers.
NICE: Final = 10

Start = Callable[..., tuple[SpawnProcess, Connection]]


class Housekeeping:
    """start: starts a process, and gives it and this end of its pipe; passing: a clock that nobody sets. done: what all
    runs did, and why the last one failed."""

    def __init__(
        self, settings: Settings, start: Start, passing: Callable[[], float] = time.monotonic
    ) -> None:
        self._settings = settings
        self._start = start
        self._today = Today()
        self._passing = passing
        self._next = self._next_mending = passing() + FIRST_S
        self._process: SpawnProcess | None = None
        self._pipe: Connection | None = None
        self.done = Decoded()

    def look(self) -> None:
        """Each second: starts a run when one is due, and takes in what it did when it is over."""
        if self._process is None:
            if self._passing() >= self._next:
                mending = self._passing() >= self._next_mending
                self._process, self._pipe = self._start(run_upkeep, self._settings, self._today, mending)
                if mending:
                    self._next_mending = self._passing() + MEND_EVERY_S
        elif not self._process.is_alive():
            self._take(self._process.exitcode, self._pipe)
            self._process = None
            self._next = self._passing() + (AGAIN_S if self.done.upkeep else EVERY_S)

    def end(self) -> None:
        """At once."""
        if self._process is not None:
            self._process.kill()
            self._process.join()
            self._process = None

    def _take(self, code: int | None, pipe: Any) -> None:
        told = Decoded(upkeep=f"its process ended (exit code {code})")
        with pipe, suppress(EOFError, OSError):
            told = pipe.recv() if pipe.poll() else told
        self.done.swept += told.swept
        self.done.merged += told.merged
        self.done.dropped_days += told.dropped_days
        self.done.rollups_failed += told.rollups_failed
        self.done.rollups_rebuilt += told.rollups_rebuilt
        self.done.upkeep = told.upkeep


def run_upkeep(settings: Settings, today: Today, mending: bool, pipe: Connection) -> None:
    """The whole life of a process: one run."""
    for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
        signal.signal(number, signal.SIG_IGN)  # the supervisor knows what they mean
    with suppress(PermissionError):  # a service manager may forbid it
        os.nice(NICE)
    threading.Thread(target=_end_with_supervisor, args=(pipe,), daemon=True).start()
    from flowdiag.collector.live.upkeep import (
        Upkeep,  # with numpy and Arrow
    )
    from flowdiag.collector.store.opening import open_backend

    counters = Decoded()
    owner = f"{spool_name(settings.spool)}-upkeep-"
    upkeep = Upkeep(
        open_backend(settings.store, owner),
        settings.retain,
        today,
        rollup_days=settings.retain_rollups,
        roller=settings.roller,
    )
    upkeep.run(counters, mending=mending)
    with suppress(OSError):
        pipe.send(counters)


def _end_with_supervisor(pipe: Connection) -> None:
    with suppress(EOFError, OSError):
        pipe.recv()
    os._exit(1)
