"""What the roll-ups of a site tell of a long time: the three shapes of a case, with stand-ins for its flows.

Usage and signs of life are by sums; who and what by records that stand for the flows of an hour. What hides within an hour
is for those to find who read its flows (looking.py tells where).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Final

import numpy as np
import pyarrow as pa
from msgspec import Struct
from msgspec.structs import replace
from numpy.typing import NDArray

from flowdiag.aggregator.build import WINDOW_MS, Counting, Reduction, grid_around, joined
from flowdiag.aggregator.carried import FlowsCarried
from flowdiag.aggregator.coverage import Coverage
from flowdiag.aggregator.coverage_notes import (
    Evidence,
    Remarks,
    build_coverage,
    evidence_of,
    heard_minutes,
    heard_windows,
    with_others,
)
from flowdiag.aggregator.duplicates import without_duplicates
from flowdiag.aggregator.record_table import RecordTable, twice
from flowdiag.aggregator.records import NOT_SAID, LeftOut
from flowdiag.aggregator.shared_starts import with_own_starts
from flowdiag.aggregator.site_flows import SiteFlows
from flowdiag.aggregator.spread import WindowGrid
from flowdiag.aggregator.time_outliers import days_kept
from flowdiag.aggregator.usage import Usage
from flowdiag.buffers import address_column, integers
from flowdiag.collector.report import ExportReport
from flowdiag.collector.span import Span
from flowdiag.durations import DAY_MS, MINUTE_MS
from flowdiag.rollup.minute_sums import MinutesCarried, gather
from flowdiag.rollup.samples import durations_of
from flowdiag.rollup.shape import Facts, RollUp
from flowdiag.rollup.stand_ins import activities, kinds_of_record, stand_ins
from flowdiag.site.profile import Profile

# The tables of a roll-up that an overview needs; the second where it is to tell who it was.
OF_FIGURES: Final = ("minutes", "hours")
OF_WHO: Final = (*OF_FIGURES, "conversations", "services")
_DAY_MINUTES: Final = DAY_MS // MINUTE_MS
_FAR: Final = 1 << 50  # minutes; later than any time


class NeedsWho(Exception):
    """What counts on a link hangs on who it was: an overview needs the table of conversations."""


class Overview(Struct, frozen=True, eq=False):
    """flows: stand-ins, and the flows of files without a roll-up; usage: on minutes; carried: what the links carried, by
    sums; hours, services: rows of shape.HOURS and SERVICES of all roll-ups, in no order; services None for figures alone."""

    flows: SiteFlows
    usage: Usage
    coverage: Coverage
    carried: MinutesCarried
    hours: pa.Table
    services: pa.Table | None = None


def overview(
    rollups: Sequence[RollUp],
    others: Iterable[pa.RecordBatch],
    report: ExportReport,
    profile: Profile,
    span: Span,
    *,
    who: bool = True,
) -> Overview | None:
    """rollups: with the tables OF_WHO, sound ones of the site's exporters; others: the flows of files that have none, in
    FLOW_SCHEMA; report: complete once they are exhausted, and with what the roll-ups say; span: times outside of it are of
    no use; who: False for figures alone, by OF_FIGURES, without stand-ins for flows. None where sums cannot tell:
    interfaces are not exported, so that addresses decide what a link carried. Raises NeedsWho.
    """
    reduction = Reduction(profile)
    sources = _sources(reduction, rollups)
    hours = pa.concat_tables([rollup.tables["hours"] for rollup in rollups])
    within, outliers = _within(hours, span)
    sums = gather(rollups, sources)
    sums = sums.at(np.flatnonzero((sums.minute >= within[0]) & (sums.minute < within[1])))
    standing, rest = RecordTable(twice), RecordTable(twice)
    if who:
        for batch in stand_ins(rollups, sources, activities(sums), _outside(hours, within)):
            standing.append(reduction.add(batch))
    else:
        standing.append(reduction.add(kinds_of_record(sums, sources)))
        _need_nobody(reduction.tally.octets)
    for batch in others:
        rest.append(reduction.add(batch))
    counting = reduction.settle(report, [*standing.pieces(), *rest.pieces()])
    if counting.decisions.by_inside:
        return None
    more, duplicates, moved = _rest(counting, rest, len(standing))
    own = counting.site_flows(standing.records(), used_up=True) if who and len(standing) else joined(())
    flows = joined([own, more]) if len(more) else own
    rest_carried = FlowsCarried(more, profile) if len(more) else None
    reach_ms = _reach(rollups, within, more)
    carried = MinutesCarried(sums, counting.decisions, profile, rest_carried, reach_ms)
    facts = [rollup.facts for rollup in rollups]
    remarks = Remarks(
        LeftOut(
            reduction.left_out.without_times + sum(fact.untimed for fact in facts),
            reduction.left_out.not_ip + sum(fact.not_ip for fact in facts),
        ),
        replace(counting.decisions, dropped=carried.not_counted),
        reduction.tally,
        duplicates,
        moved,
        outliers,
        reduction.interner,
        counting.translations,
    )
    minutes_ms = heard_minutes(report, profile, counting.clocks)
    minutes_ms = minutes_ms[(minutes_ms >= within[0] * MINUTE_MS) & (minutes_ms < within[1] * MINUTE_MS)]
    grid, evidence = _evidence(facts, reach_ms, carried, more, minutes_ms)
    coverage = build_coverage(flows, report, profile, remarks, counting.clocks, evidence)
    coverage = replace(coverage, records=coverage.records + sum(fact.rows for fact in facts))
    usage = carried.usage(grid)
    if coverage.span is not None:
        usage = usage.covering(coverage.span)
    services = pa.concat_tables([rollup.tables["services"] for rollup in rollups]) if who else None
    return Overview(flows, usage, coverage, carried, hours, services)


def _sources(reduction: Reduction, rollups: Sequence[RollUp]) -> dict[tuple[bytes, int], int]:
    """The number of each exporter and domain in the sums."""
    for rollup in rollups:
        domains = np.unique(integers(rollup.tables["minutes"], "domain")).astype(np.uint32)
        reduction.interner.number_sources(address_column([rollup.exporter] * len(domains)), domains)
    return {source: number for number, source in enumerate(reduction.interner.sources)}


def _within(hours: pa.Table, span: Span) -> tuple[tuple[int, int], int]:
    """[from, to) in minutes since 1970 of what belongs to the export and to the span; and how many records do not belong
    to the export, as time_outliers.py has it."""
    days, where = np.unique(integers(hours, "hour") // 24, return_inverse=True)
    first, stop, left_out = 0, _FAR, 0
    if len(days):
        counts = np.bincount(where, integers(hours, "records")).astype(np.int64)
        low, high = days_kept(days, counts)
        left_out = int(counts[(days < low) | (days > high)].sum())
        # A record that ended on the first day may have begun the day before.
        first, stop = (low - 1) * _DAY_MINUTES, (high + 1) * _DAY_MINUTES
    if span[0] is not None:
        first = max(first, span[0] // MINUTE_MS)
    if span[1] is not None:
        stop = min(stop, -(-span[1] // MINUTE_MS))
    return (first, max(stop, first)), left_out


def _outside(hours: pa.Table, within: tuple[int, int]) -> list[int]:
    """The hours that lie outside of [from, to) in minutes."""
    distinct = np.unique(integers(hours, "hour"))
    outside: list[int] = distinct[(distinct * 60 >= within[1]) | ((distinct + 1) * 60 <= within[0])].tolist()
    return outside


def _need_nobody(octets: NDArray[np.float64]) -> None:
    """Raises NeedsWho where several sources, or both metering points, are on a link and direction. octets: as in
    counting.Tally."""
    sources = np.count_nonzero(octets.sum(axis=3), axis=0)
    points = np.count_nonzero(octets.sum(axis=0)[..., :NOT_SAID], axis=-1)
    if (sources > 1).any() or (points > 1).any():
        raise NeedsWho


def _rest(counting: Counting, rest: RecordTable, first: int) -> tuple[SiteFlows, int, int]:
    """The flows that no sums stand for, how many repeated others, and how many starts were moved. first: position of their
    first record among all."""
    if not len(rest):
        return joined(()), 0, 0
    flows, duplicates = without_duplicates(counting.site_flows(rest.records(), first=first, used_up=True))
    flows, moved = with_own_starts(flows)
    return flows, duplicates, moved


def _reach(rollups: Sequence[RollUp], within: tuple[int, int], more: SiteFlows) -> tuple[int, int] | None:
    """From the first to the last time of the records of roll-ups and other files; None without any."""
    times = [(rollup.facts.first_ms, rollup.facts.last_ms) for rollup in rollups]
    if len(more):
        times.append((int(more.start_ms.min()), int(more.end_ms.max())))
    begin, end = (moment * MINUTE_MS for moment in within)
    firsts = [max(first, begin) for first, _ in times if first is not None and first < end]
    lasts = [min(last, end) for _, last in times if last is not None and last >= begin]
    return (min(firsts), max(lasts)) if firsts and lasts else None


def _evidence(
    facts: Sequence[Facts],
    reach_ms: tuple[int, int] | None,
    carried: MinutesCarried,
    more: SiteFlows,
    minutes_ms: NDArray[np.int64],
) -> tuple[WindowGrid, Evidence]:
    """What the records of roll-ups and other files show, on the windows that hold them all."""
    grid = WindowGrid(0, WINDOW_MS, 1) if reach_ms is None else grid_around(*reach_ms, WINDOW_MS, minutes_ms)
    by_flows = with_others(evidence_of(more, minutes_ms, grid), durations_of(facts))
    return grid, replace(
        by_flows,
        first_ms=None if reach_ms is None else reach_ms[0],
        last_ms=None if reach_ms is None else reach_ms[1],
        heard=by_flows.heard | heard_windows(carried.alive_ms, more, grid),
        packets=(
            by_flows.packets[0] + sum(fact.packets for fact in facts),
            by_flows.packets[1] + sum(fact.packets_seen for fact in facts),
        ),
    )
