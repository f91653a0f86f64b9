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
from flowdiag.collector.store.rebuilding import mend
from flowdiag.collector.store.retention import retain
from flowdiag.collector.store.rolling import Roller
from flowdiag.collector.store.upkeep import compact
from flowdiag.errors import StoreError

EVERY_S: Final = 1_800.0
AGAIN_S: Final = 60.0
SWEEP_EVERY_S: Final = DAY_S
# How many files of a partition are worth merging.
MERGE_FILES: Final = 16
# How long old days wait until nobody reads.
READERS_PATIENCE_S: Final = 10.0


class Upkeep:
    """The upkeep of a store. days: UTC days of flows to keep, None for all; rollup_days: of roll-ups, None: they go with their
    flows; roller: makes them. The first run is due at once."""

    def __init__(
        self,
        backend: StorageBackend,
        days: int | None,
        today: Today,
        *,
        rollup_days: int | None = None,
        roller: Roller | None = None,
    ) -> None:
        self._backend = backend
        self._rollup_days = rollup_days
        self._roller = roller
        self._days = days
        self._today = today
        self._next = self._next_sweep = self._next_mending = time.monotonic()

    @property
    def due(self) -> bool:
        return time.monotonic() >= self._next

    def start(self, counters: Decoded) -> None:
        """Sweeps before anything is written; a failure is put into the counters, and the next run tries again."""
        try:
            self._sweep(counters)
        except (StoreError, OSError) as error:
            counters.upkeep = str(error)

    def run(self, counters: Decoded) -> None:
        """Sweeps and mends roll-ups if that is due, merges files, drops old days; what was done and what failed goes into the
        counters."""
        try:
            if time.monotonic() >= self._next_sweep:
                self._sweep(counters)
            merged = compact(self._backend, least_files=MERGE_FILES, roller=self._roller)
            counters.merged += len(merged)
            counters.rollups_failed += sum(len(one.faults) for one in merged)
            if time.monotonic() >= self._next_mending:
                self._mend(counters)
            counters.upkeep = self._drop_old_days(counters)
        except (StoreError, OSError) as error:
            counters.upkeep = str(error)
        self._next = time.monotonic() + (AGAIN_S if counters.upkeep else EVERY_S)

    def _sweep(self, counters: Decoded) -> None:
        counters.swept += sweep(self._backend, time.time())
        self._next_sweep = time.monotonic() + SWEEP_EVERY_S

    def _mend(self, counters: Decoded) -> None:
        if self._roller is not None:
            mended = mend(self._backend, self._roller)
            counters.rollups_rebuilt += sum(one.made for one in mended)
            counters.rollups_failed += sum(bool(one.fault) for one in mended)
        self._next_mending = time.monotonic() + SWEEP_EVERY_S

    def _drop_old_days(self, counters: Decoded) -> str:
        """Gives why dropping has to wait; empty if it need not."""
        if self._days is None or self._today.doubt:
            return "" if self._days is None else self._today.doubt
        dropped = retain(
            self._backend,
            self._days,
            self._today.day,
            rollup_days=self._rollup_days,
            roller=self._roller,
            patience_s=READERS_PATIENCE_S,
        )
        counters.dropped_days += len(dropped)
        return ""
