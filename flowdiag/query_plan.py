"""What of a store a question about a window of time needs to read.

Facts the design follows:
- a diagnosis lists what happened within a day of the window, and compares with the same hours of earlier days: the
  more it knows the better, so earlier days are read too, as long as that stays cheap;
- at a very large site a day on each side is more than a person wants to wait for; the time around the window is then
  cut to what can be read quickly, and the note says so;
- a ranking or a chart needs the flows of the window alone, and a little around it to tell how the exporter reports.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING, Final

from msgspec import Struct

from flowdiag.collector.readers.inputs import is_store
from flowdiag.collector.span import EVERYTHING, Span
from flowdiag.durations import DAY_MS, HOUR_MS
from flowdiag.errors import UsageError
from flowdiag.site.window import resolve_window

if TYPE_CHECKING:
    from flowdiag.collector.store.backends import StorageBackend

# Read beside the window where only its flows are asked for.
MARGIN_MS: Final = HOUR_MS
# Read before and after the window of a diagnosis, the longest that is cheap enough.
AROUND_MS: Final = (DAY_MS, DAY_MS // 2, DAY_MS // 4, 2 * HOUR_MS, HOUR_MS)
# Earlier days are read for comparison as far as diagnoser/signals/baseline.py looks back: a quarter.
EARLIER_DAYS: Final = (92, 56, 28, 14, 7)
# Flow records beside the window that are cheap: a second, and 150 MB.
CHEAP_ROWS: Final = 1_000_000


class Plan(Struct, frozen=True):
    """span: to read; cut: how much is read around the window, in ms, where that is less than a day."""

    span: Span = EVERYTHING
    cut_ms: int | None = None


def plan(
    paths: Sequence[str | Path],
    window_from: str | None,
    window_to: str | None,
    timezone: str,
    exporters: Collection[bytes] | None = None,
    *,
    context: bool,
    cheap_rows: int = CHEAP_ROWS,
) -> Plan:
    """What to read of the stores among the paths. window_from, window_to, timezone: see resolve_window(); context: days
    around the window too, for a diagnosis; cheap_rows: flow records beside the window that are read at most.

    Everything where no store or no window is given. Raises UsageError for a window that cannot be, StoreError.
    """
    stores = [path for path in paths if is_store(path)]
    if not stores or (window_from is None and window_to is None):
        return Plan()
    # Loaded here since most exports are no stores, and Parquet takes a tenth of a second to load.
    from flowdiag.collector.store.opening import open_backend
    from flowdiag.collector.store.statistics import RowCounts, stored_span

    backends = [open_backend(path) for path in stores]
    with ExitStack() as reading:
        for backend in backends:  # nobody removes files between the listing and the look into them
            reading.enter_context(backend.reading())
        first_ms = last_ms = None
        if len(backends) == len(paths):
            first_ms, last_ms = _joint([stored_span(backend, exporters) for backend in backends])
        try:
            window_ms = resolve_window(window_from, window_to, timezone, first_ms, last_ms)
        except UsageError:
            if len(backends) == len(paths):
                raise
            return Plan()  # the other exports have to be read to tell which day is meant
        begin = None if window_from is None else window_ms[0]
        end = None if window_to is None else window_ms[1]
        if not context:
            return Plan(_widened(begin, end, MARGIN_MS, MARGIN_MS))
        widest = _widened(begin, end, EARLIER_DAYS[0] * DAY_MS, DAY_MS)
        counts = [RowCounts(backend, exporters, widest) for backend in backends]
        window_rows = sum(count.rows((begin, end)) for count in counts)

        def is_cheap(span: Span) -> bool:
            return sum(count.rows(span) for count in counts) - window_rows <= cheap_rows

        around = next((ms for ms in AROUND_MS if is_cheap(_widened(begin, end, ms, ms))), AROUND_MS[-1])
        if around < DAY_MS:
            return Plan(_widened(begin, end, around, around), around)
        earlier = (_widened(begin, end, days * DAY_MS, DAY_MS) for days in EARLIER_DAYS)
        return Plan(next(filter(is_cheap, earlier), _widened(begin, end, DAY_MS, DAY_MS)))


def _joint(spans: Sequence[Span]) -> Span:
    """From the first begin of some spans to the last end."""
    first_ms = min((first for first, _ in spans if first is not None), default=None)
    last_ms = max((last for _, last in spans if last is not None), default=None)
    return first_ms, last_ms


def known_span(backend: StorageBackend, exporters: Collection[bytes] | None) -> tuple[int | None, int | None]:
    """From when to when a store tells of these exporters, by its flows and by roll-ups whose flows are gone."""
    from flowdiag.collector.store.kept_rollups import find_kept_rollups
    from flowdiag.collector.store.statistics import stored_span

    first_ms, last_ms = stored_span(backend, exporters)
    days = [kept.partition.day for kept in find_kept_rollups(backend, exporters)]
    if days:
        earliest = DAY_MS * min(days)
        first_ms = earliest if first_ms is None else min(first_ms, earliest)
        last_ms = DAY_MS * (max(days) + 1) if last_ms is None else last_ms
    return first_ms, last_ms


def _widened(begin: int | None, end: int | None, before_ms: int, after_ms: int) -> Span:
    return (None if begin is None else begin - before_ms, None if end is None else end + after_ms)


class Long(Struct, frozen=True):
    """A window of a store in which more flows lie than are quick to read. span: those of it and MARGIN_MS beside it."""

    window_ms: tuple[int, int]
    span: Span


def long_window(
    backend: StorageBackend,
    window_from: str | None,
    window_to: str | None,
    timezone: str,
    exporters: Collection[bytes] | None,
    cheap_rows: int = CHEAP_ROWS,
) -> Long | None:
    """The window asked about, as plan() has it; None where at most cheap_rows flows touch it and none of them is gone. Raises
    UsageError, StoreError."""
    from flowdiag.collector.store.kept_rollups import find_kept_rollups
    from flowdiag.collector.store.statistics import RowCounts

    with backend.reading():
        first_ms, last_ms = known_span(backend, exporters)
        window_ms = resolve_window(window_from, window_to, timezone, first_ms, last_ms)
        if first_ms is None or last_ms is None:
            return None
        begin = None if window_from is None else window_ms[0]
        end = None if window_to is None else window_ms[1]
        gone = find_kept_rollups(backend, exporters, (begin, end))
        if not gone and RowCounts(backend, exporters, window_ms).rows(window_ms) <= cheap_rows:
            return None
    return Long(window_ms, _widened(begin, end, MARGIN_MS, MARGIN_MS))
