"""The passes of `flowdiag top` over the records put aside, some hundred thousand at a time: one aggregates them into
partials, one more does so by window where asked for, the last looks for the highest rates of the rows to be shown.
Records that repeat others are found among those of one chunk.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any, Final
from zoneinfo import ZoneInfo

import numpy as np
import pyarrow as pa
from msgspec import Struct, field
from msgspec.structs import replace

from flowdiag.aggregator.applications import catalogue_of
from flowdiag.aggregator.build import Counting, joined
from flowdiag.aggregator.duplicates import without_duplicates
from flowdiag.aggregator.labels import Labels
from flowdiag.aggregator.partials import MAX_KEYS, Partial, merge, nothing
from flowdiag.aggregator.report_windows import report_windows
from flowdiag.aggregator.shared_starts import with_own_starts
from flowdiag.aggregator.site_flows import SiteFlows
from flowdiag.aggregator.spool import Spool
from flowdiag.aggregator.spread import WindowGrid, part_inside, spread
from flowdiag.aggregator.top_keys import Keys
from flowdiag.aggregator.top_parts import STEP, partials
from flowdiag.aggregator.top_ranking import Ranking, Request, Top, ranked
from flowdiag.aggregator.top_sums import Sums
from flowdiag.buffers import column, numbers
from flowdiag.errors import UsageError
from flowdiag.site.profile import Profile

CHUNK_ROWS: Final = 250_000
PEAK_WINDOW_MS: Final = 60_000
# Rows times windows whose rates are held for the peaks: 32 MiB. Rows beyond have none.
MAX_PEAK_CELLS: Final = 4_000_000
MAX_STEPS: Final = 10_000  # rankings of windows; nobody reads more
SOME_ROWS: Final = 200_000  # flows kept to tell how the exporter reports


class Seen(Struct):
    """What the first pass learns of all flows. some: a sample; packets scaled for sampling, and as they were seen."""

    sample: SiteFlows = field(default_factory=lambda: joined(()))
    packets: float = 0.0
    packets_seen: float = 0.0
    duplicates: int = 0
    moved_starts: int = 0
    complete: bool = False

    def add(self, flows: SiteFlows, duplicates: int, moved_starts: int) -> None:
        if not len(self.sample):
            self.sample = flows.at(np.arange(0, len(flows), max(len(flows) // SOME_ROWS, 1)))
        self.packets += float(flows.packets.sum())
        self.packets_seen += float((flows.packets / np.maximum(flows.sampling, 1)).sum())
        self.duplicates += duplicates
        self.moved_starts += moved_starts


class Passes:
    """window_ms: what is ranked; sums: of more flows than the records; local_too: traffic on no link counts as well."""

    def __init__(
        self,
        profile: Profile,
        request: Request,
        window_ms: tuple[int, int],
        records: Spool,
        counting: Counting,
        sums: Sums | None = None,
        *,
        local_too: bool,
    ) -> None:
        self.seen = Seen()
        self._timezone = profile.site.timezone
        self._link = None if request.link is None else profile.link[request.link].name
        self._request = request
        self._window_ms = window_ms
        self._records = records
        self._counting = counting
        self._sums = sums
        self._local_too = local_too
        self._keys = Keys(request.kind, Labels(profile), counting.addresses, catalogue_of(profile))

    def top(self) -> Top:
        """The ranking asked for, as far as the flows tell; without notes."""
        partial = self._aggregated()
        bound = _bound(partial)
        keys, ranking = ranked(partial.table, self._window_ms, self._keys, self._request, partial, bound)
        rows = tuple(
            replace(row, peak_mbps=peak) for row, peak in zip(ranking.rows, self._peaks(keys), strict=True)
        )
        step_ms = self._request.step_ms
        steps, by_step = self._by_window(step_ms) if step_ms is not None else (None, ())
        folded = [p.folded for p in (partial, steps) if p is not None]
        return Top(
            request=self._request,
            link=self._link,
            timezone=self._timezone,
            whole=replace(ranking, rows=rows),
            steps=by_step,
            folded_keys=sum(f.keys for f in folded),
            error=max(f.error for f in folded),
        )

    def _by_window(self, step_ms: int) -> tuple[Partial, tuple[Ranking, ...]]:
        """A ranking for each window that has any flow."""
        grid = report_windows(self._window_ms, step_ms, ZoneInfo(self._timezone), self._request.asked)
        if grid.windows > MAX_STEPS:
            raise UsageError(
                f"--window would give more than {MAX_STEPS} rankings",
                expected="longer windows, or less time between --from and --to",
            )
        partial = self._aggregated(grid)
        starts = numbers(partial.table[STEP].combine_chunks())
        found = []
        for start in np.unique(starts).tolist():
            window_ms = start, min(start + step_ms, grid.end_ms)
            table = partial.table.filter(column(starts == start))
            found.append(ranked(table, window_ms, self._keys, self._request, None, _bound(partial))[1])
        return partial, tuple(found)

    def _chunks(self) -> Iterator[SiteFlows]:
        """The flows asked for that touch the window."""
        waiting: list[SiteFlows] = []
        rows = first = 0
        for records in self._records:
            waiting.append(self._counting.site_flows(records, first=first))
            first += len(records)
            rows += len(waiting[-1])
            if rows >= CHUNK_ROWS:
                yield self._wanted(joined(waiting))
                waiting, rows = [], 0
        if waiting:
            yield self._wanted(joined(waiting))
        self.seen.complete = True

    def _wanted(self, flows: SiteFlows) -> SiteFlows:
        flows, duplicates = without_duplicates(flows)
        flows, moved_starts = with_own_starts(flows)
        if not self.seen.complete:
            self.seen.add(flows, duplicates, moved_starts)
        begin, end = self._window_ms
        wanted = (flows.start_ms < end) & (np.maximum(flows.end_ms, flows.start_ms + 1) > begin)
        if not self._local_too:
            wanted &= flows.link >= 0
        if self._request.link is not None:
            wanted &= flows.link == self._request.link
        if self._request.direction is not None:
            wanted &= flows.direction == self._request.direction
        return flows.at(np.flatnonzero(wanted))

    def _aggregated(self, grid: WindowGrid | None = None) -> Partial:
        """All flows by key; with a grid by key and window."""
        types = self._keys.types | ({} if grid is None else {STEP: pa.int64()})
        waiting = [nothing(types, self._request.by)]
        if self._sums is not None:
            counted = self._sums.partial(self._counting, self._request, grid, local_too=self._local_too)
            waiting.append(counted)
        rows = 0
        for flows in self._chunks():
            for partial in partials(flows, self._window_ms, self._keys, self._request.by, grid):
                waiting.append(partial)
                rows += partial.table.num_rows
                if rows > CHUNK_ROWS:
                    waiting, rows = [merge(*waiting, max_keys=MAX_KEYS)], 0
        return self._keys.with_values(merge(*waiting, max_keys=MAX_KEYS), self._counting.applications)

    def _peaks(self, rows: list[dict[str, Any]]) -> list[float | None]:
        """The highest rate of a minute of each row. Minutes that the window cuts count by their part inside, if that
        is half a minute or more. Sums have no minutes.
        """
        if self._sums is not None or not self._request.peaks:
            return [None] * len(rows)
        begin, end = self._window_ms
        grid = WindowGrid.covering(begin, max(end, begin + 1), PEAK_WINDOW_MS)
        known = rows[: MAX_PEAK_CELLS // grid.windows]
        if not known:
            return [None] * len(rows)
        octets = np.zeros((len(known), grid.windows))
        for flows in self._chunks():
            part = part_inside(flows.start_ms, flows.end_ms, begin, end)
            start, stop = np.maximum(flows.start_ms, begin), np.minimum(flows.end_ms, end)
            of_row = self._keys.row_of(flows, known)
            octets += spread(start, stop, [flows.wire_octets * part], grid, of_row, len(known))[0]
        edges = grid.edges()
        inside_ms = np.minimum(edges[1:], end) - np.maximum(edges[:-1], begin)
        judged = 2 * inside_ms >= PEAK_WINDOW_MS
        if not judged.any():  # less than half a minute in all: its mean is all there is
            judged, inside_ms = np.ones(1, np.bool_), np.array([max(end - begin, 1)])
            octets = octets.sum(axis=1, keepdims=True)
        highest = (octets[:, judged] * 8 / inside_ms[judged] / 1000.0).max(axis=1)
        return [*highest.tolist(), *([None] * (len(rows) - len(known)))]


def _bound(partial: Partial) -> int:
    """The most octets that a row of a partial may lack."""
    return math.ceil(partial.folded.octets_error)
