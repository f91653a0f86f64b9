"""The store's upkeep while a collector runs: what dead writers left is swept, small files are merged, old days dropped.

Facts the design follows:
- a file a minute and exporter are too many to ask questions of: files are merged when a partition has many;
- what others are busy with is left for the next time; what failed is said and tried again soon;
- it is done between segments, by the process that decodes, so it waits for nobody as long as a command might;
- what a process left that died is swept before the first segment: the one that made it die may come again and again.
"""

from __future__ import annotations

import time
from typing import Final

from flowdiag.collector.live.clocks import DAY_S, Today
from flowdiag.collector.live.counters import Decoded
from flowdiag.collector.store.backends import StorageBackend
from flowdiag.collector.store.changes import sweep
from flowdiag.collector.store.upkeep import compact, retain
from flowdiag.errors import StoreError

EVERY_S: Final = 1_800.0
AGAIN_S: Final = 60.0
SWEEP_EVERY_S: Final = DAY_S
# How many files of a partition are worth merging.
MERGE_FILES: Final = 16
# How long old days wait until nobody reads.
READERS_PATIENCE_S: Final = 10.0


class Caring:
    """place: the store; days: that are kept, None for all. The first time is due at once."""

    def __init__(self, backend: StorageBackend, days: int | None, today: Today) -> None:
        self._backend = backend
        self._days = days
        self._today = today
        self._next = self._next_sweep = time.monotonic()

    @property
    def due(self) -> bool:
        return time.monotonic() >= self._next

    def begin(self, told: Decoded) -> None:
        """Sweeps, before anything is written. Where it fails, it is due with the rest."""
        try:
            self._sweep(told)
        except (StoreError, OSError) as error:
            told.upkeep = str(error)

    def look_after(self, told: Decoded) -> None:
        """Does what is due, and tells what became of it."""
        try:
            if time.monotonic() >= self._next_sweep:
                self._sweep(told)
            told.merged += len(compact(self._backend, least_files=MERGE_FILES))
            told.upkeep = self._drop_old_days(told)
        except (StoreError, OSError) as error:
            told.upkeep = str(error)
        self._next = time.monotonic() + (AGAIN_S if told.upkeep else EVERY_S)

    def _sweep(self, told: Decoded) -> None:
        told.swept += sweep(self._backend, time.time())
        self._next_sweep = time.monotonic() + SWEEP_EVERY_S

    def _drop_old_days(self, told: Decoded) -> str:
        """Gives why that has to wait."""
        if self._days is None or self._today.doubt:
            return "" if self._days is None else self._today.doubt
        dropped = retain(self._backend, self._days, self._today.day, patience_s=READERS_PATIENCE_S)
        told.dropped_days += len(dropped)
        return ""
