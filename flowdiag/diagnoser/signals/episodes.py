"""Sustained episodes: when a link direction ran over a threshold of its plan.

Shared by link-full, link-busy, below-plan and realtime-contention; this module alleges nothing itself.

An episode is made of windows at or over the threshold (figure_windows.py: minutes, or shorter ones where the time asked
about is short). Dips of at most a minute between windows over it do not end an episode. Of minutes, three in a row must be
over it; where short dips keep breaking the row, six minutes over it that are two thirds of the episode do as well. Of
shorter windows, which dip more easily, three minutes over it in all that are two thirds of the episode do; and where the
windows are of 20 s or less, a minute that is at least half of the time asked about. Full episodes take their minutes: a
busy stretch counts on its own only where it is no run-up to or tail of a full one.

Where records were lost, rates are what they probably were (losses.py), and a dip in a time that a loss or a restart took
records from is bridged: it says nothing. An episode that only the estimate makes says so.

The edges of an episode come from the records' own times: half a minute at the end of a transfer is no full minute, but
the line was full in it.

Sampling makes windows noisy: at 1 in 1000 a full minute of a slow link rests on some hundred packets, so
that single windows pass 90 % by chance. There the rate is first averaged over as many windows as bring the
relative error of a full window under two per cent, and an episode must last as long.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise
from typing import Final

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from flowdiag.aggregator.usage import Usage
from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.once import once_per_case
from flowdiag.diagnoser.signals.edges import refined
from flowdiag.diagnoser.signals.figure_windows import figure_windows
from flowdiag.diagnoser.signals.losses import hidden, lost_share, most_lost
from flowdiag.diagnoser.signals.sustained import (
    DIP_MS,
    ROUNDING,
    SUSTAINED_MS,
    Run,
    grown,
    sustained,
    sustained_short,
    unblurred,
    with_hidden_dips,
    with_lost_dips,
)
from flowdiag.durations import MINUTE_MS

# A busy stretch beside a full one is its own episode from this length on; less is the ramp of the full one.
BESIDE_FULL_MS: Final = 600_000
# More findings of one kind on one link and direction than a person reads: the closest are then joined, those that the
# complaint's window touches by themselves, and so those before it and after it, of which fewer matter.
MOST_EPISODES: Final = 6
MOST_AROUND: Final = 2
# Then spells that so many minutes part are one trouble.
NEAR: Final = 15
# Sampling: the relative standard error that a (smoothed) full window may have, and the longest smoothing.
SAMPLING_ERROR: Final = 0.02
LONGEST_SMOOTHING: Final = 15
# Windows so short show a minute well enough that it may be sustained, where it is half of the time asked about.
FINE_MS: Final = 20_000
LEAST_OF_ASKED_MS: Final = 60_000
ASKED_PART: Final = 0.5
# A dip that a loss hides is bridged up to the length of a record and this.
HIDDEN_BEYOND_MS: Final = DIP_MS
# An estimate that alone makes an episode is on the low side by so many of its standard errors.
CAUTIOUS_ERRORS: Final = 0.5
# A dip is bridged that is no deeper than the loss makes it, by so many of its standard errors more.
BRIDGED_ERRORS: Final = 1.0
# So much of an episode with bridged dips has to be seen over the threshold.
SEEN_PART: Final = 0.5


class Episode(Struct, frozen=True):
    """Windows [first, stop) of the usage grid on one link and direction."""

    link: int
    direction: int
    spans: tuple[Run, ...]  # [first, stop) of each part it was joined of, else the one
    usage: Usage | None = None  # whose windows these are; None: the case's minutes
    # [start, end) ms of each span by its records' times; None: the windows' edges.
    edges: tuple[tuple[int, int], ...] | None = None
    estimated: bool = False  # over the threshold only with what was lost

    @property
    def first(self) -> int:
        return self.spans[0][0]

    @property
    def stop(self) -> int:
        return self.spans[-1][1]

    def windows(self) -> NDArray[np.intp]:
        """Indexes of the windows in the spans."""
        return np.concatenate([np.arange(first, stop) for first, stop in self.spans])

    def rates(self, case: Case) -> NDArray[np.float64]:
        """Mbit/s of each of its windows."""
        return (self.usage or case.usage).mbps(self.link, self.direction)[self.windows()]

    def times(self, case: Case) -> tuple[int, int]:
        """[start, end) in ms since 1970 UTC."""
        spans = self.span_times(case)
        return spans[0][0], spans[-1][1]

    def span_times(self, case: Case) -> list[tuple[int, int]]:
        """[start, end) in ms since 1970 UTC of each of its spans."""
        return self.window_times(case) if self.edges is None else list(self.edges)

    def window_times(self, case: Case) -> list[tuple[int, int]]:
        """[start, end) in ms of its windows, whatever the records' own times make of its edges."""
        usage = self.usage or case.usage
        return [usage.times(first, stop) for first, stop in self.spans]

    def overlaps(self, case: Case, start_ms: int, end_ms: int) -> bool:
        return any(begin < end_ms and end > start_ms for begin, end in self.span_times(case))

    def part_of(self, case: Case, start_ms: int, end_ms: int) -> float:
        """The part of [start, end) that lies in its spans, 0 to 1."""
        inside = sum(max(min(b, end_ms) - max(a, start_ms), 0) for a, b in self.span_times(case))
        return inside / max(end_ms - start_ms, 1)


class Episodes(Struct, frozen=True):
    """full, busy: in order of link, direction, time. No window is in both."""

    full: tuple[Episode, ...]
    busy: tuple[Episode, ...]


def capacity_mbps(case: Case, link: int, direction: int) -> float:
    """The plan's rate of a link direction."""
    plan = case.profile.link[link]
    return plan.up_mbps if direction else plan.down_mbps


@once_per_case
def episodes(case: Case) -> Episodes:
    """All full and busy episodes of the export; none where links cannot be told apart."""
    full: list[Episode] = []
    busy: list[Episode] = []
    if not case.coverage.links_apart:
        return Episodes((), ())
    limits = case.profile.thresholds
    usage = figure_windows(case).usage
    lost = lost_share(case, usage, -CAUTIOUS_ERRORS)
    blind, most = hidden(case, usage), most_lost(case, usage, BRIDGED_ERRORS)
    for link in range(len(case.profile.link)):
        for direction in (0, 1):
            measured = usage.mbps(link, direction) / capacity_mbps(case, link, direction)
            row = _Row(case, usage, link, direction, measured, lost, blind, most)
            full_runs = row.runs(limits.full)
            busy_runs = row.runs(limits.busy)
            full += row.episodes(full_runs, limits.full)
            busy += row.episodes(_beside(busy_runs, full_runs, usage.window_ms), limits.busy)
    return Episodes(tuple(full), tuple(busy))


class _Row:
    """The windows of one link direction. share: rates as parts of the plan, what was lost added; measured: without."""

    def __init__(
        self,
        case: Case,
        usage: Usage,
        link: int,
        direction: int,
        measured: NDArray[np.float64],
        lost: NDArray[np.float64],
        blind: NDArray[np.bool_],
        most_lost: NDArray[np.float64],
    ) -> None:
        self._case, self._usage, self._blind, self._most_lost = case, usage, blind, most_lost
        self._link, self._direction = link, direction
        self._width = smoothing(case, link, direction)
        self._share = self._settled(measured / (1.0 - lost)) if lost.any() else self._settled(measured)
        self._measured = self._settled(measured) if lost.any() else self._share

    def _settled(self, share: NDArray[np.float64]) -> NDArray[np.float64]:
        if self._width > 1:
            return share
        return unblurred(share, self._case.coverage.resolution_s * 1000 / self._usage.window_ms)

    def runs(self, threshold: float) -> list[Run]:
        """Sustained runs over a threshold."""
        return self._runs(self._share, threshold)

    def _runs(self, share: NDArray[np.float64], threshold: float) -> list[Run]:
        usage, case = self._usage, self._case
        over = share >= threshold - ROUNDING
        if not over.any():
            return []
        if self._width > 1:
            return sustained(over, share, threshold, self._width)
        # One window more, because what is hidden may begin and end within windows.
        most = (case.coverage.resolution_s * 1000 + HIDDEN_BEYOND_MS) // usage.window_ms + 1
        seen, over = over, with_hidden_dips(over, self._blind, most)
        over = with_lost_dips(over, self._blind, self._measured, self._most_lost, threshold)
        return [
            (first, stop)
            for first, stop in self._sustained(over, share, threshold)
            if np.count_nonzero(seen[first:stop]) >= SEEN_PART * (stop - first)
        ]

    def _sustained(self, over: NDArray[np.bool_], share: NDArray[np.float64], threshold: float) -> list[Run]:
        usage, case = self._usage, self._case
        if usage.window_ms >= MINUTE_MS:
            return self._lasting(sustained(over, share, threshold), threshold)
        lengths = usage.lengths_ms
        found = sustained_short(over, usage.window_ms, lengths_ms=lengths)
        least_ms = max(LEAST_OF_ASKED_MS, int(ASKED_PART * (case.window_ms[1] - case.window_ms[0])))
        if usage.window_ms > FINE_MS or least_ms >= SUSTAINED_MS:
            return found
        begin, end = case.window_ms
        inside = over.copy()
        inside[: max((begin - usage.start_ms) // usage.window_ms, 0)] = False
        inside[max(-((usage.start_ms - end) // usage.window_ms), 0) :] = False
        brief = [
            grown(run, over)
            for run in sustained_short(inside, usage.window_ms, least_ms, lengths)
            if not any(run[0] < stop and run[1] > first for first, stop in found)
        ]
        return sorted(found + brief)

    def _lasting(self, found: list[Run], threshold: float) -> list[Run]:
        """Runs of minutes without those that are too short by the seconds that the export covers of their windows."""
        cut = self._usage.lengths_ms < self._usage.window_ms
        if not cut.any():
            return found
        return [run for run in found if not cut[slice(*run)].any() or self._lasts(run, threshold)]

    def _lasts(self, run: Run, threshold: float) -> bool:
        start, end = self._edges([run], threshold)[0]
        return end - start >= SUSTAINED_MS

    def _edges(self, found: list[Run], threshold: float) -> list[tuple[int, int]]:
        """[start, end) in ms of runs by the records' own times, as far as the export reaches."""
        case, usage = self._case, self._usage
        edges = refined(case, usage, self._link, self._direction, found, threshold, self._width)
        if case.coverage.span is None:
            return edges
        first, last = case.coverage.span
        return [(max(start, min(first, end)), min(end, max(last, start))) for start, end in edges]

    def episodes(self, found: list[Run], threshold: float) -> Iterator[Episode]:
        """The episodes of sustained runs, where there are too many of them joined."""
        if not found:
            return
        case, usage = self._case, self._usage
        certain = found if self._measured is self._share else self._runs(self._measured, threshold)
        edges = dict(zip(found, self._edges(found, threshold), strict=True))
        for spans in _grouped_by_time(case, usage, found):
            yield Episode(
                self._link,
                self._direction,
                spans,
                usage,
                tuple(edges[span] for span in spans),
                estimated=not any(a < stop and b > first for first, stop in spans for a, b in certain),
            )


def smoothing(case: Case, link: int, direction: int) -> int:
    """Over how many windows (odd) a sampled rate must be averaged; 1 for an unsampled export."""
    if case.coverage.sampling <= 1:
        return 1
    error = sampling_error(case, link, direction)
    width = int(np.ceil((error / SAMPLING_ERROR) ** 2))
    return min(width | 1, LONGEST_SMOOTHING)


def sampling_error(case: Case, link: int, direction: int) -> float:
    """Relative standard error of one window at the full threshold: sqrt(1/n) for n sampled packets (RFC
    5475).

    n follows from the mean size of the packets in the busiest tenth of the windows.
    """
    if case.coverage.sampling <= 1:
        return 0.0
    usage = case.usage
    octets, packets = usage.wire_octets[link, direction], usage.packets[link, direction]
    busiest = octets >= np.quantile(octets, 0.9) if len(octets) else np.zeros(0, dtype=np.bool_)
    carried = float(octets[busiest].sum())
    if carried <= 0.0:
        return 0.0
    a_full_window = capacity_mbps(case, link, direction) * usage.window_ms * 125.0
    expected = a_full_window * float(packets[busiest].sum()) / carried / case.coverage.sampling
    return float(1.0 / np.sqrt(max(expected, 1.0)))


def _beside(busy: list[Run], full: list[Run], window_ms: int) -> list[Run]:
    """Busy runs without the full ones; what is left beside a full one must be long to count."""
    parts = []
    for first, stop in busy:
        inner = [(a, b) for a, b in full if a < stop and b > first]
        if not inner:
            parts.append((first, stop))
            continue
        edges = [first, *(edge for span in inner for edge in span), stop]
        rest = zip(edges[0::2], edges[1::2], strict=True)
        parts += [(a, b) for a, b in rest if (b - a) * window_ms >= BESIDE_FULL_MS]
    return parts


def _grouped_by_time(case: Case, usage: Usage, found: list[Run]) -> list[tuple[Run, ...]]:
    """Each run by itself; where there are too many, near ones are joined, but none over an edge of the window."""
    if len(found) <= MOST_EPISODES:
        return [(run,) for run in found]
    begin, end = ((edge - usage.start_ms) / usage.window_ms for edge in case.window_ms)
    before, after = [run for run in found if run[1] <= begin], [run for run in found if run[0] >= end]
    within = found[len(before) : len(found) - len(after)]
    near = NEAR * MINUTE_MS // usage.window_ms
    return [
        spans
        for part, most in ((before, MOST_AROUND), (within, MOST_EPISODES), (after, MOST_AROUND))
        for spans in _grouped(part, most, near)
    ]


def _grouped(found: list[Run], most: int, near: int) -> list[tuple[Run, ...]]:
    """Runs in at most so many groups: those at most `near` windows apart together, or cut at the widest gaps where that
    is not enough.
    """
    gaps = [after[0] - before[1] for before, after in pairwise(found)]
    cut = [index for index, gap in enumerate(gaps) if len(found) <= most or gap > near]
    widest = sorted(cut, key=lambda index: (-gaps[index], index))[: most - 1]
    cuts = [0, *(index + 1 for index in sorted(widest)), len(found)]
    return [tuple(found[a:b]) for a, b in pairwise(cuts) if b > a]
