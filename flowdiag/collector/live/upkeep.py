"""The store's upkeep while a collector runs: what dead writers left is swept, small files are merged, old days dropped.

Facts the design follows:
- a file a minute and exporter are too many to ask questions of: files are merged when a partition has many;
- what others are busy with is left for the next time; what failed is said and tried again soon;
- it is done in a process of its own (housekeeping.py), so that no segment waits for it;
- what a process left that died is swept before the first segment: the one that made it die may come again and again.
"""

from __future__ import annotations

import time
from typing import Final

from flowdiag.collector.live.clocks import Today
from flowdiag.collector.live.counters import Decoded
from flowdiag.collector.store.backends import StorageBackend
from flowdiag.collector.store.changes import sweep
from flowdiag.collector.store.rebuilding import mend
from flowdiag.collector.store.retention import retain
from flowdiag.collector.store.rolling import Roller
from flowdiag.collector.store.upkeep import compact
from flowdiag.errors import StoreError

# How long to look for damaged roll-ups each time, from where it was left: a large store has hundreds of thousands.
MEND_S: Final = 2.0
# How many files of a partition are worth merging.
MERGE_FILES: Final = 16
# How long old days wait until nobody reads.
READERS_PATIENCE_S: Final = 10.0


class Upkeep:
    """The upkeep of a store. days: UTC days of flows to keep, None for all; rollup_days: of roll-ups, None: they go with their
    flows; roller: makes them."""

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
        self._mended = ""  # the last file whose roll-up was looked at

    def start(self, counters: Decoded) -> None:
        """Sweeps while nothing is being written; a failure is put into the counters, and is to be tried again."""
        try:
            self._sweep(counters)
            counters.upkeep = ""
        except (StoreError, OSError) as error:
            counters.upkeep = str(error)

    def run(self, counters: Decoded, *, mending: bool = True) -> None:
        """Sweeps, merges files, drops old days; what was done and what failed goes into the counters. mending: whether to
        look for damaged roll-ups as well."""
        try:
            self._sweep(counters)
            merged = compact(self._backend, least_files=MERGE_FILES, roller=self._roller)
            counters.merged += len(merged)
            counters.rollups_failed += sum(len(one.faults) for one in merged)
            if mending:
                self._mend(counters)
            counters.upkeep = self._drop_old_days(counters)
        except (StoreError, OSError) as error:
            counters.upkeep = str(error)

    def _sweep(self, counters: Decoded) -> None:
        counters.swept += sweep(self._backend, time.time())

    def _mend(self, counters: Decoded) -> None:
        if self._roller is not None:
            until = time.monotonic() + MEND_S
            mended = mend(
                self._backend, self._roller, after=self._mended, enough=lambda: time.monotonic() > until
            )
            self._mended = mended.reached
            counters.rollups_rebuilt += sum(one.made for one in mended.rebuilt)
            counters.rollups_failed += sum(bool(one.fault) for one in mended.rebuilt)

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
