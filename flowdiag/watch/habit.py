"""When an exporter may say nothing: as it did at the same time of the week before, and in the hours before.

Facts the design follows:
- a router with little to report does so each time its active timeout is over, or its templates are due; one datagram that is lost
  makes one pause of two;
- a router whose protocol has no templates to repeat, or repeats them seldom, says nothing when the last people go home, and
  nothing in the minutes before tells of it; in the week before it did the same, give or take an hour;
- of a site that the store has no week of, the day before tells; that its weekend is silent is new then;
- a file of a store is never used again for other content: what was read of it once holds.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import timedelta
from typing import Final

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
from numpy.typing import NDArray

from flowdiag.collector.readers.stored_flows import StoredFlows
from flowdiag.collector.report import ExportReport
from flowdiag.collector.store.backends import StorageBackend
from flowdiag.collector.store.finding import StoredFile, find_files, open_stored
from flowdiag.collector.store.sharing import clock_offsets, offset_of
from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.signals.silences import silences_in
from flowdiag.diagnoser.signals.timeline import runs
from flowdiag.durations import DAY_MS, HOUR_MS, MINUTE_MS
from flowdiag.errors import ExportError, StoreChanged
from flowdiag.site.clock import LocalTime

# Days before that tell, the first of them that the store has.
DAYS_BEFORE: Final = (7, 1)
# Shorter silences need no habit; people come and go so much earlier or later than the week before; no silence is usual for longer
# than a weekend with a day more.
SHORTEST_MS: Final = 6 * MINUTE_MS
GIVE_OR_TAKE_MS: Final = HOUR_MS
LONGEST_MS: Final = 4 * DAY_MS
_KEPT: Final = 50_000

_Runs = tuple[tuple[int, int], ...]  # [begin, end) in ms
_known: dict[tuple[str, str], _Runs] = {}  # by store and file


def usual_until(
    backend: StorageBackend, exporters: frozenset[bytes] | None, timezone: str, last_ms: int
) -> int:
    """Until when nobody has to wonder that exporters say nothing since last_ms; last_ms where that is unusual. While
    backend.reading() is held. Raises StoreError."""
    for days in DAYS_BEFORE:
        then_ms = _earlier(last_ms, days, timezone)
        until_ms = min(then_ms + LONGEST_MS, last_ms)
        heard = _heard(backend, exporters, then_ms - 2 * DAY_MS, until_ms)
        if not heard or heard[0][0] > then_ms:
            continue
        begins = [begin for begin, _ in heard[1:]] + [until_ms]
        ends = [
            begin
            for (_, end), begin in zip(heard, begins, strict=True)
            if end <= then_ms + GIVE_OR_TAKE_MS and begin > then_ms and begin - end >= SHORTEST_MS
        ]
        return last_ms + max(ends) - then_ms + GIVE_OR_TAKE_MS if ends else last_ms
    return last_ms


def signs_ms(case: Case) -> NDArray[np.int64]:
    """Start of each minute in which the exporter sent something, ascending; where that is not known, of each with traffic."""
    usage, coverage = case.usage, case.coverage
    if len(coverage.messages_ms):
        return coverage.messages_ms
    windows_ms = usage.start_ms + np.flatnonzero(coverage.heard) * usage.window_ms
    return np.unique(windows_ms // MINUTE_MS * MINUTE_MS)


def pause_ms(signs: NDArray[np.int64]) -> int:
    """How long an exporter may say nothing by its last hours: for two of its longest pauses, and what the ends of minutes hide of
    them. Silences that were gaps are no habit. signs: as signs_ms() gives them."""
    if not len(signs):
        return 0
    first, last = int(signs[0]), int(signs[-1])
    heard = np.zeros((last - first) // MINUTE_MS + 1, np.bool_)
    heard[(signs - first) // MINUTE_MS] = True
    gaps = silences_in(heard, first, MINUTE_MS, (first, last), window_given=False)
    no_habit = {gap.start_ms for gap in gaps}
    pauses = (stop - start for start, stop in runs(~heard) if first + start * MINUTE_MS not in no_habit)
    return 2 * (max(pauses, default=0) + 1) * MINUTE_MS


def _earlier(ms: int, days: int, timezone: str) -> int:
    """The same time by the site's clock so many days before."""
    local = LocalTime(timezone).local(ms)
    return round((local - timedelta(days=days)).timestamp() * 1000)


def _heard(
    backend: StorageBackend, exporters: frozenset[bytes] | None, begin_ms: int, end_ms: int
) -> list[tuple[int, int]]:
    """Times in which there were signs of life, in order; apart by SHORTEST_MS at least."""
    files = find_files(backend, exporters, (begin_ms, end_ms))
    runs = sorted(run for file in files for run in _heard_in(backend, file))
    return _joined(run for run in runs if run[0] < end_ms)


def _heard_in(backend: StorageBackend, file: StoredFile) -> _Runs:
    key = backend.name, file.target
    known = _known.get(key)
    if known is None:
        if len(_known) >= _KEPT:
            _known.clear()
        known = _known[key] = tuple(_joined(_minutes_of(backend, file)))
    return known


def _minutes_of(backend: StorageBackend, file: StoredFile) -> Sequence[tuple[int, int]]:
    """The minutes with a sign of life that a file tells of, by the clock of the capture; none of one that is damaged."""
    report = ExportReport()
    try:
        with open_stored(backend, file) as source:
            metadata = pq.ParquetFile(source).metadata.metadata
        StoredFlows(report).add_metadata(metadata, file.target)
    except FileNotFoundError as error:
        raise StoreChanged(f"{backend.name}/{file.target}") from error
    except (pa.ArrowException, OSError, UnicodeDecodeError, ExportError):
        return ()
    offsets = clock_offsets(report)
    found: set[int] = set()
    for exporter, minutes in report.heard_minutes.items():
        shift = offset_of(offsets, exporter)
        found |= {(minute * MINUTE_MS + shift) // MINUTE_MS for minute in minutes}
    return [(minute * MINUTE_MS, (minute + 1) * MINUTE_MS) for minute in sorted(found)]


def _joined(runs: Iterable[tuple[int, int]]) -> list[tuple[int, int]]:
    joined: list[tuple[int, int]] = []
    for begin, end in runs:
        if joined and begin - joined[-1][1] < SHORTEST_MS:
            joined[-1] = joined[-1][0], max(joined[-1][1], end)
        else:
            joined.append((begin, end))
    return joined
