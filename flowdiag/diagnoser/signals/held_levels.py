"""Levels at which one transfer or a few held a link direction under its plan, however short: reasons against an all-clear.

Shared by not-the-link; this module alleges nothing itself. Where a line gives less than its plan, whoever transfers
something stands at what it gives. One transfer at a level may as well have been held by the far end or by its own
device, so no finding can be made of it; but "the line was not the cause" cannot be said with confidence either.

What counts is looked at on a grid of five seconds (longer where sampling is too rough for that), at the records' own
times. A level is
- a time of twenty seconds or more, of which half or more of the octets are those of transfers: records of data
  packets that take a fiftieth of the plan or more (a tenth where they are not TCP: calls and cameras go at their
  own rate over UDP, and take little; who takes more over UDP is as likely a transfer or a tunnel full of them);
- between a fifth of the plan and the full threshold. Under a fifth a slow server, a device or the pace of an
  application is by far the likelier reason, and nearly every site has such a level at some time; a line that gives so
  little is found by below-plan as soon as a few share it. Common practice, no source;
- flat: the five-second windows lie within 15% of each other (45% on a variable link, and as much as stamps of whole
  seconds are off where records of a few seconds carry them), single windows apart. Where
  the time is shorter than three records are long, records blur what it was; then 45% are enough, since
  nobody can tell;
- made by transfers that lasted for four fifths of it, or for a minute or more: short ones are level for some seconds by chance;
- with nothing higher around: where the same direction carried a tenth more for three records' length within
  a quarter of an hour (a third more on a variable link), the level was not the line's.

A pause shows in the windows as soon as records are shorter than it, so that a video that is fetched piece by piece
is no level there. Whether the transfers gave way to each other is decided by the ratio of flat_top.py over the
single transfers, with all else as one more: then something that is common to them held them. On variable links a
ceiling that wanders counts as well (see wandering.py).
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.once import once_per_case
from flowdiag.diagnoser.signals.at_limit import AtLimit, covered_window
from flowdiag.diagnoser.signals.attribution import rows_within
from flowdiag.diagnoser.signals.conversations import TCP, conversation_keys
from flowdiag.diagnoser.signals.episodes import capacity_mbps
from flowdiag.diagnoser.signals.even_transfers import EvenTransfers
from flowdiag.diagnoser.signals.flat_runs import flat_runs
from flowdiag.diagnoser.signals.flat_top import (
    DECILES,
    LEAST_SPREAD,
    RATIO,
    RATIO_A_WINDOW,
    STEADY,
    WAVERING,
    in_data_packets,
    yielding,
)
from flowdiag.diagnoser.signals.timeline import Grid, runs
from flowdiag.diagnoser.signals.wandering import wandering

STEP_MS: Final = 5_000
LONGEST_STEP_MS: Final = 60_000
LEAST_MS: Final = 20_000
# Without a transfer that lasts, chance makes a level of short ones for some seconds.
LEAST_OF_SHORT_MS: Final = 60_000
LASTING: Final = 0.8
LEAST_SHARE: Final = 0.20
LEAST_PART: Final = 0.02
LEAST_PART_NOT_TCP: Final = 0.10
HELD_PART: Final = 0.5
SPAN: Final = 0.15
WIDE_SPAN: Final = 0.45
# Stamps of whole seconds are off by up to one at either end of a record.
WHOLE_SECONDS: Final = 2.0
# A level that is shorter than so many records is blurred by them.
BLURRED_RECORDS: Final = 3
AROUND_MS: Final = 15 * 60_000
# Who has less of a level's octets than this is not counted among those that held it.
COUNTED: Final = 0.05
# Packets that a sampled window at the least share must rest on, for an error of a thirtieth.
LEAST_SAMPLED: Final = 900
# Give and take needs windows to show in, as long as the records are.
LEAST_WINDOWS: Final = 6
LEAST_GIVING: Final = 1.5


class HeldLevel(Struct, frozen=True):
    """A rate that one link direction held from start_ms to end_ms. Where transfers gave way, something common held them."""

    link: int
    direction: int
    rate_mbps: float
    share: float  # rate_mbps over the plan
    start_ms: int
    end_ms: int
    transfers: int  # conversations that held it
    hosts: int  # their inside addresses
    destinations: int  # their outside addresses
    flatness: float  # robust relative standard deviation of the windows
    gives_way: bool  # transfers gave way to each other; False where that is not known
    wanders: bool = False  # the ceiling moved

    @property
    def is_the_lines(self) -> bool:
        """Whether no single device and no single far end explains it."""
        return self.gives_way and min(self.hosts, self.destinations) >= 2


@once_per_case
def held_levels(case: Case) -> tuple[HeldLevel, ...]:
    """Those that touch the complaint's window; what gave way first, then the longest."""
    begin, end = covered_window(case)
    if not case.coverage.links_apart or end <= begin:
        return ()
    found = [
        level
        for link in range(len(case.profile.link))
        for direction in (0, 1)
        for level in _of(case, link, direction, begin, end)
    ]
    flat = [level for level in found if level.start_ms < end and level.end_ms > begin]
    moving = [level for level in _wandering(case) if level.start_ms < end and level.end_ms > begin]

    def rank(level: HeldLevel) -> tuple[bool, bool, int, int, int, int]:
        lasting = level.end_ms - level.start_ms
        return (
            not level.is_the_lines,
            not level.gives_way,
            -lasting,
            level.start_ms,
            level.link,
            level.direction,
        )

    return tuple(sorted([*flat, *moving], key=rank))


def is_told(level: HeldLevel, others: Sequence[EvenTransfers | AtLimit]) -> bool:
    """Whether a level overlaps what is told already: equal transfers, or a link at its limit."""
    return any(
        (other.link, other.direction) == (level.link, level.direction)
        and other.start_ms < level.end_ms
        and other.end_ms > level.start_ms
        for other in others
    )


def _wandering(case: Case) -> list[HeldLevel]:
    return [
        HeldLevel(
            link=time.link,
            direction=time.direction,
            rate_mbps=time.rate_mbps,
            share=time.rate_mbps / capacity_mbps(case, time.link, time.direction),
            start_ms=time.start_ms,
            end_ms=time.end_ms,
            transfers=time.proof.transfers,
            hosts=time.proof.hosts,
            destinations=time.proof.destinations,
            flatness=time.proof.moved,
            gives_way=True,
            wanders=True,
        )
        for time in wandering(case)
    ]


class _Traffic(Struct, frozen=True, eq=False):
    """A link direction around the window. rows: of everything; elastic: which are of transfers; key: number of the
    transfer, the same for all else; rate: Mbit/s per bin of the grid,
    single windows out of line smoothed away; by_transfers: the part of it that transfers have.
    """

    rows: NDArray[np.intp]
    key: NDArray[np.int64]
    elastic: NDArray[np.bool_]
    grid: Grid
    rate: NDArray[np.float64]
    by_transfers: NDArray[np.float64]


def _of(case: Case, link: int, direction: int, begin: int, end: int) -> list[HeldLevel]:
    traffic = _traffic(case, link, direction, begin, end)
    if traffic is None:
        return []
    plan, limits = case.profile.link[link], case.profile.thresholds
    capacity = capacity_mbps(case, link, direction)
    # What a variable link is known to give at times is no news.
    highest = limits.below_plan_variable if plan.variable else limits.full
    low = (traffic.rate >= LEAST_SHARE * capacity) & (traffic.by_transfers >= HELD_PART * traffic.rate)
    found = []
    for first, stop in _runs(case, traffic, low, plan.variable):
        level = _level(case, link, direction, traffic, first, stop)
        if level is not None and LEAST_SHARE <= level.share < highest:
            found.append(level)
    higher = WAVERING.higher if plan.variable else STEADY.higher
    return [level for level in found if not _was_surpassed(case, traffic, level, higher)]


def _traffic(case: Case, link: int, direction: int, begin: int, end: int) -> _Traffic | None:
    """None where transfers never have so much of the plan as a level takes."""
    flows, coverage, capacity = case.flows, case.coverage, capacity_mbps(case, link, direction)
    step = _step_ms(case, capacity)
    start = max(begin - AROUND_MS, coverage.first_ms or begin) // step * step
    until = min(end + AROUND_MS, (coverage.last_ms or end) + 1)
    grid = Grid(start, step, -((start - until) // step))
    rows, _ = rows_within(case, link, direction, [(grid.start_ms, grid.end_ms)])
    if not len(rows):
        return None
    starts, ends = flows.start_ms[rows], np.maximum(flows.end_ms[rows], flows.start_ms[rows] + 1)
    octets = flows.wire_octets[rows]
    # 125 octets a millisecond are 1 Mbit/s.
    part = octets / (np.maximum(ends - starts, step) * (capacity * 125.0))
    elastic = part >= np.where(flows.protocol[rows] == TCP, LEAST_PART, LEAST_PART_NOT_TCP)
    elastic[elastic] = in_data_packets(flows, rows[elastic])
    to_mbps = 8.0 / step / 1000.0
    by_transfers = grid.spread(starts[elastic], ends[elastic], octets[elastic]) * to_mbps
    if by_transfers.max() < HELD_PART * LEAST_SHARE * capacity:
        return None
    unique, found = np.unique(conversation_keys(flows, rows[elastic]), return_inverse=True)
    key = np.full(len(rows), len(unique))
    key[elastic] = found
    rate = grid.spread(starts, ends, octets) * to_mbps
    return _Traffic(rows, key, elastic, grid, _without_outliers(rate), _without_outliers(by_transfers))


def _step_ms(case: Case, capacity: float) -> int:
    """Five seconds, or as long as a sampled rate takes to mean something (1/sqrt(n) for n packets of 1000 octets)."""
    if case.coverage.sampling <= 1:
        return STEP_MS
    a_second = LEAST_SHARE * capacity * 125.0 / case.coverage.sampling
    steps = int(np.ceil(LEAST_SAMPLED / a_second * 1000.0 / STEP_MS))
    return min(max(steps, 1) * STEP_MS, LONGEST_STEP_MS)


def _without_outliers(rate: NDArray[np.float64]) -> NDArray[np.float64]:
    """The middle of each three windows: record edges, and the burst that a shaper lets pass, are single ones."""
    three = np.lib.stride_tricks.sliding_window_view(np.pad(rate, 1, mode="edge"), 3)
    middle: NDArray[np.float64] = np.median(three, axis=1)
    return middle


def _runs(case: Case, traffic: _Traffic, low: NDArray[np.bool_], variable: bool) -> list[tuple[int, int]]:
    """[first, stop) of flat times; blurred ones where no flat one is, as long as records blur."""
    step = traffic.grid.step_ms
    least = max(-(-LEAST_MS // step), 2)
    blurred = BLURRED_RECORDS * case.coverage.resolution_s * 1000 // step
    times = case.flows.start_ms[traffic.rows], case.flows.end_ms[traffic.rows]
    whole = not any(bool((side % 1000).any()) for side in times)
    span = max(SPAN, WHOLE_SECONDS / case.coverage.resolution_s) if whole else SPAN
    found: list[tuple[int, int]] = []
    for begin, end in runs(low):
        rate = traffic.rate[begin:end]
        flat = flat_runs(rate, WIDE_SPAN if variable else span, least)
        wide = [run for run in flat_runs(rate, WIDE_SPAN, least) if run[1] - run[0] <= blurred]
        apart = [run for run in wide if not any(run[0] < stop and run[1] > first for first, stop in flat)]
        found += [(begin + first, begin + stop) for first, stop in sorted([*flat, *apart])]
    return found


def _level(
    case: Case, link: int, direction: int, traffic: _Traffic, first: int, stop: int
) -> HeldLevel | None:
    """The level of a flat time; None where only short transfers made it, and not for long."""
    flows, grid = case.flows, traffic.grid
    start, end = grid.time_of(first), grid.time_of(stop)
    near = np.flatnonzero((flows.start_ms[traffic.rows] < end) & (flows.end_ms[traffic.rows] >= start))
    rows, key, elastic = traffic.rows[near], traffic.key[near], traffic.elastic[near]
    inside_ms = np.minimum(flows.end_ms[rows], end) - np.maximum(flows.start_ms[rows], start)
    part = inside_ms / np.maximum(flows.end_ms[rows] - flows.start_ms[rows], 1)
    octets = flows.wire_octets[rows] * np.clip(part, 0.0, 1.0)
    sums, lasting = np.bincount(key, octets * elastic), np.bincount(key, inside_ms * elastic)
    lasts = lasting >= LASTING * (end - start)
    if end - start < LEAST_OF_SHORT_MS and sums[lasts].sum() < HELD_PART * octets.sum():
        return None
    held = sums >= COUNTED * octets.sum()
    held = held if held.any() else sums > 0.0
    those = held[key] & elastic
    rate = traffic.rate[first:stop]
    level = float(np.median(rate))
    low, high = np.quantile(rate, (0.1, 0.9))
    return HeldLevel(
        link=link,
        direction=direction,
        rate_mbps=level,
        share=level / capacity_mbps(case, link, direction),
        start_ms=start,
        end_ms=end,
        transfers=int(held.sum()),
        hosts=len(np.unique(flows.inside[rows[those]])),
        destinations=len(np.unique(flows.outside[rows[those]])),
        flatness=float(high - low) / DECILES / level,
        gives_way=_gives_way(case, rows, np.where(held[key] & elastic, key, len(held)), grid, first, stop),
    )


def _gives_way(
    case: Case, rows: NDArray[np.intp], part: NDArray[np.int64], grid: Grid, first: int, stop: int
) -> bool:
    """Whether the parts vary and the total does not, in windows as long as the records are."""
    length = max(case.coverage.resolution_s * 1000, grid.step_ms)
    inner = Grid(grid.time_of(first), length, (stop - first) * grid.step_ms // length)
    if inner.bins < LEAST_WINDOWS:
        return False
    _, transfer = np.unique(part, return_inverse=True)
    giving = yielding(case.flows, rows, transfer, inner)
    return (
        giving.ratio <= min(RATIO, RATIO_A_WINDOW * inner.bins)
        and giving.spread >= LEAST_SPREAD
        and giving.parts >= LEAST_GIVING
    )


def _was_surpassed(case: Case, traffic: _Traffic, level: HeldLevel, higher: float) -> bool:
    """Whether the same direction carried clearly more around a level, for so long that blur does not explain it."""
    grid = traffic.grid
    length_ms = BLURRED_RECORDS * max(case.coverage.resolution_s * 1000, grid.step_ms)
    bins = -(-length_ms // grid.step_ms)
    first = max((level.start_ms - AROUND_MS - grid.start_ms) // grid.step_ms, 0)
    rate = traffic.rate[first : (level.end_ms + AROUND_MS - grid.start_ms) // grid.step_ms]
    if len(rate) < bins:
        return False
    running = np.concatenate([[0.0], np.cumsum(rate)])
    return bool(((running[bins:] - running[:-bins]) / bins > higher * level.rate_mbps).any())
