"""The logic behind `flowdiag top`: a ranking of an export in bounded memory.

Three passes: the first reduces the export to compact records, put aside, and learns what counts on which link; the
second aggregates them into partials, some hundred thousand records at a time; the third looks for the highest rates
of the rows to be shown. Records that repeat others are found among those of one chunk.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from flowdiag.aggregator.addresses import to_bytes
from flowdiag.aggregator.build import Counting, Reduction, joined
from flowdiag.aggregator.labels import Labels
from flowdiag.aggregator.partials import Measure, Partial, aggregate, merge, nothing
from flowdiag.aggregator.shared_starts import with_own_starts
from flowdiag.aggregator.site_flows import SiteFlows
from flowdiag.aggregator.spool import Spool, spool
from flowdiag.aggregator.spread import WindowGrid, part_inside, spread
from flowdiag.aggregator.strays import Span
from flowdiag.aggregator.top_keys import Conversation, Keys, Kind
from flowdiag.aggregator.twins import select, without_twins
from flowdiag.collector.export import open_export
from flowdiag.collector.readers.inputs import Progress
from flowdiag.collector.store.question import plan
from flowdiag.errors import UsageError
from flowdiag.site.profile import MAX_MBPS, Link, Profile, Site
from flowdiag.site.window import resolve_window

CHUNK_ROWS: Final = 500_000
PEAK_WINDOW_MS: Final = 60_000
# Rows times windows whose rates are held for the peaks: 32 MiB. Rows beyond have none.
MAX_PEAK_CELLS: Final = 4_000_000
MAX_STEPS: Final = 10_000  # rankings of windows; nobody reads more

# Without a profile: private networks are inside, and there is one link, whose interfaces are not known.
ANY_SITE: Final = Profile(
    site=Site(name="export"),
    link=[Link(name="all", interfaces=[], down_mbps=MAX_MBPS, up_mbps=MAX_MBPS, framing="ip")],
)


@dataclass(frozen=True)
class Request:
    """What to rank. link: position in the profile; direction: 0 down, 1 up; None for all.

    limit: rows, None for all; step_ms: also a ranking for each window of this length.
    """

    kind: Kind
    by: Measure = "octets"
    limit: int | None = 20
    link: int | None = None
    direction: int | None = None
    window_from: str | None = None
    window_to: str | None = None
    step_ms: int | None = None


@dataclass(frozen=True)
class TopRow:
    """share: of the total in the measure ranked by, 0 to 1. Rates in Mbit/s, framing of the link included; the peak
    is that of a minute, None beyond MAX_PEAK_CELLS and in rankings of windows.

    address: 16 octets of a talker or destination, or of the outside end of a conversation.
    """

    key: str | Conversation
    label: str | None
    octets: int
    packets: int
    flows: int
    share: float
    mean_mbps: float
    peak_mbps: float | None
    first_ms: int
    last_ms: int
    address: bytes | None = None


@dataclass(frozen=True)
class Ranking:
    """One ranking, with what is not shown, so that shares add up to 1. window_ms: [from, to) since 1970 UTC."""

    window_ms: tuple[int, int]
    rows: tuple[TopRow, ...]
    rest_octets: int
    rest_share: float
    total_octets: int
    total_packets: int
    total_flows: int


@dataclass(frozen=True)
class Top:
    """whole: over all of the window; steps: window by window, where asked for.

    folded_keys: keys counted together because there were too many; error: what one key may have lost by that, in
    the measure ranked by. Both are 0 where the ranking is exact.
    """

    request: Request
    timezone: str
    whole: Ranking
    steps: tuple[Ranking, ...]
    folded_keys: int
    error: float


def rank_export(
    paths: Sequence[str | Path], profile: Profile | None, request: Request, progress: Progress | None = None
) -> Top:
    """Ranks an export; profile None: ANY_SITE, and local traffic counts too.

    Raises ExportError for an export that cannot be used, UsageError for a window that cannot be.
    """
    site = profile or ANY_SITE
    exporters = {to_bytes(address) for address in site.site.exporters} or None
    reading = plan(
        paths, request.window_from, request.window_to, site.site.timezone, exporters, context=False
    )
    export = open_export(paths, exporters=exporters, progress=progress, span=reading.span)
    reduction = Reduction(site)
    span = Span()
    with spool() as records:
        for batch in export.batches():
            piece = reduction.add(batch)
            if len(piece):
                span.add(piece.source, piece.start_ms, piece.end_ms)
                records.append(piece)
        counting = reduction.settle(export.report, records)
        first_ms, last_ms = span.settle(counting.shift_ms)
        window_ms = resolve_window(
            request.window_from, request.window_to, site.site.timezone, first_ms, last_ms
        )
        local_too = profile is None or not counting.decisions.links_apart
        return _Ranker(site, request, window_ms, records, counting, local_too=local_too).top()


class _Ranker:
    def __init__(
        self,
        profile: Profile,
        request: Request,
        window_ms: tuple[int, int],
        records: Spool,
        counting: Counting,
        *,
        local_too: bool,
    ) -> None:
        self._timezone = profile.site.timezone
        self._request = request
        self._window_ms = window_ms
        self._records = records
        self._counting = counting
        self._local_too = local_too
        self._keys = Keys(request.kind, Labels(profile), counting.addresses)

    def top(self) -> Top:
        partial = self._aggregated(step_ms=None)
        keys, ranking = self._ranking(partial.table, self._window_ms, partial)
        rows = tuple(
            replace(row, peak_mbps=peak) for row, peak in zip(ranking.rows, self._peaks(keys), strict=True)
        )
        steps, by_step = self._by_step() if self._request.step_ms else (None, ())
        folded = [p.folded for p in (partial, steps) if p is not None]
        return Top(
            request=self._request,
            timezone=self._timezone,
            whole=replace(ranking, rows=rows),
            steps=by_step,
            folded_keys=sum(f.keys for f in folded),
            error=max(f.error for f in folded),
        )

    def _by_step(self) -> tuple[Partial, tuple[Ranking, ...]]:
        step_ms = self._request.step_ms or PEAK_WINDOW_MS
        begin, end = self._window_ms
        if (end - begin) // step_ms > MAX_STEPS:
            raise UsageError(
                f"--window would give more than {MAX_STEPS} rankings",
                expected="longer windows, or less time between --from and --to",
            )
        partial = self._aggregated(step_ms=step_ms)
        starts = partial.table["step"].to_numpy()
        found = []
        for start in np.unique(starts).tolist():
            table = partial.table.filter(pa.array(starts == start))
            window_ms = max(start, begin), min(start + step_ms, end)
            found.append(self._ranking(table, window_ms, None)[1])
        return partial, tuple(found)

    def _chunks(self) -> Iterator[SiteFlows]:
        """The flows asked for that touch the window."""
        waiting: list[SiteFlows] = []
        rows = 0
        for records in self._records:
            waiting.append(self._counting.site_flows(records))
            rows += len(waiting[-1])
            if rows >= CHUNK_ROWS:
                yield self._wanted(joined(waiting, rows))
                waiting, rows = [], 0
        if waiting:
            yield self._wanted(joined(waiting, rows))

    def _wanted(self, flows: SiteFlows) -> SiteFlows:
        flows, _ = without_twins(flows)
        flows, _ = with_own_starts(flows)
        begin, end = self._window_ms
        wanted = (flows.start_ms < end) & (np.maximum(flows.end_ms, flows.start_ms + 1) > begin)
        if not self._local_too:
            wanted &= flows.link >= 0
        if self._request.link is not None:
            wanted &= flows.link == self._request.link
        if self._request.direction is not None:
            wanted &= flows.direction == self._request.direction
        return select(flows, np.flatnonzero(wanted))

    def _aggregated(self, step_ms: int | None) -> Partial:
        """All flows by key; with step_ms, by key and step."""
        waiting = [
            nothing(self._keys.types | ({} if step_ms is None else {"step": pa.int64()}), self._request.by)
        ]
        rows = 0
        for flows in self._chunks():
            for part, begin, end in _in_steps(flows, self._window_ms, step_ms):
                keys = self._keys.columns_of(part)
                if step_ms is not None:
                    keys["step"] = pa.array(begin // step_ms * step_ms)
                waiting.append(_partial(part, begin, end, keys, self._request.by))
                rows += waiting[-1].table.num_rows
                if rows > CHUNK_ROWS:
                    waiting, rows = [merge(*waiting)], 0
        return merge(*waiting)

    def _ranking(
        self, table: pa.Table, window_ms: tuple[int, int], partial: Partial | None
    ) -> tuple[list[dict[str, Any]], Ranking]:
        """The largest rows of a partial's table, as they are and as a ranking; with what the partial folded."""
        by = self._request.by
        # Equal ones stay in the table's order, which is that of the keys.
        order = np.argsort(-table[by].to_numpy(), kind="stable")[: self._request.limit]
        largest = table.take(pa.array(order)).to_pylist()
        total = {
            measure: float(pc.sum(table[measure]).as_py() or 0.0)
            if partial is None
            else partial.total(measure)
            for measure in ("octets", "packets", "flows")
        }
        length_ms = max(window_ms[1] - window_ms[0], 1)
        rows = tuple(self._row(row, total[by], length_ms) for row in largest)
        return largest, Ranking(
            window_ms=window_ms,
            rows=rows,
            rest_octets=max(round(total["octets"]) - sum(row.octets for row in rows), 0),
            rest_share=max(1.0 - sum(row.share for row in rows), 0.0) if total[by] else 0.0,
            total_octets=round(total["octets"]),
            total_packets=round(total["packets"]),
            total_flows=round(total["flows"]),
        )

    def _row(self, row: dict[str, Any], total: float, length_ms: int) -> TopRow:
        key, label, address = self._keys.named(row)
        return TopRow(
            key=key,
            label=label,
            octets=round(row["octets"]),
            packets=round(row["packets"]),
            flows=round(row["flows"]),
            share=row[self._request.by] / total if total else 0.0,
            mean_mbps=row["wire_octets"] * 8 / length_ms / 1000.0,
            peak_mbps=None,
            first_ms=row["first_ms"],
            last_ms=row["last_ms"],
            address=address,
        )

    def _peaks(self, rows: list[dict[str, Any]]) -> list[float | None]:
        """The highest rate of a minute of each row. Minutes that the window cuts count by their part inside, if that
        is half a minute or more.
        """
        begin, end = self._window_ms
        grid = WindowGrid.covering(begin, max(end, begin + 1), PEAK_WINDOW_MS)
        known = rows[: MAX_PEAK_CELLS // grid.windows]
        if not known:
            return [None] * len(rows)
        octets = np.zeros((len(known), grid.windows))
        for flows in self._chunks():
            part = part_inside(flows.start_ms, flows.end_ms, begin, end)
            start, stop = np.maximum(flows.start_ms, begin), np.minimum(flows.end_ms, end)
            of_row = self._keys.places(flows, known)
            octets += spread(start, stop, [flows.wire_octets * part], grid, of_row, len(known))[0]
        edges = grid.edges()
        inside_ms = np.minimum(edges[1:], end) - np.maximum(edges[:-1], begin)
        judged = 2 * inside_ms >= PEAK_WINDOW_MS
        if not judged.any():  # less than half a minute in all: its mean is all there is
            judged, inside_ms = np.ones(1, np.bool_), np.array([max(end - begin, 1)])
            octets = octets.sum(axis=1, keepdims=True)
        highest = (octets[:, judged] * 8 / inside_ms[judged] / 1000.0).max(axis=1)
        return [*highest.tolist(), *([None] * (len(rows) - len(known)))]


def _partial(
    flows: SiteFlows, begin: NDArray[np.int64], end: NDArray[np.int64], keys: dict[str, pa.Array], by: Measure
) -> Partial:
    """What of each flow lies in its window [begin, end), by key."""
    start, stop = np.maximum(flows.start_ms, begin), np.minimum(flows.end_ms, end)
    duration = flows.end_ms - flows.start_ms
    part = np.where(duration > 0, np.maximum(stop - start, 0) / np.maximum(duration, 1), 1.0)
    return aggregate(
        keys,
        by,
        octets=flows.octets,
        wire_octets=flows.wire_octets,
        packets=flows.packets,
        first_ms=start,
        last_ms=stop,
        part=part,
    )


def _in_steps(
    flows: SiteFlows, window_ms: tuple[int, int], step_ms: int | None
) -> Iterator[tuple[SiteFlows, NDArray[np.int64], NDArray[np.int64]]]:
    """Flows, each once for every step that it touches, with begin and end of what is to be counted of it.

    All flows have to touch the window. Without step_ms there is one step, the window.
    """
    begin, end = window_ms
    if step_ms is None:
        yield flows, np.full(len(flows), begin, np.int64), np.full(len(flows), end, np.int64)
        return
    start = np.maximum(flows.start_ms, begin)
    first = start // step_ms
    times = np.maximum(np.minimum(flows.end_ms, end) - 1, start) // step_ms - first + 1
    offset = 0
    while offset < len(flows):  # as many flows at a time as make about a chunk
        ends = np.cumsum(times[offset:])
        count = max(int(np.searchsorted(ends, CHUNK_ROWS, "right")), 1)
        here = times[offset : offset + count]
        rows = np.repeat(np.arange(offset, offset + count), here)
        nth = np.arange(len(rows)) - np.repeat(ends[:count] - here, here)
        step = (first[rows] + nth) * step_ms
        yield select(flows, rows), np.maximum(step, begin), np.minimum(step + step_ms, end)
        offset += count
