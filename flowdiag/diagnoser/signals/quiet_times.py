"""Times of twenty seconds and more in which nothing came in over any link, unlike the site; they allege nothing themselves.

In a bin of ten seconds something came in where a record covers it. Where the exporter's idle timeout outlasts a silence,
the records of flows that went on afterwards cover it all the same: so the bins in which no record begins or ends are looked
at as well. With something in a part p of the bins around, n silent bins happen by chance with (1-p)^n (arithmetic; the bins
of a site are not quite independent, so that only very unlikely ones count).
"""

from __future__ import annotations

from typing import Final

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.once import once_per_case
from flowdiag.diagnoser.signals.cut_off import STEP_MS, nothing_to_see, scene, silence_edges
from flowdiag.diagnoser.signals.losses import hidden
from flowdiag.diagnoser.signals.silences import silences
from flowdiag.diagnoser.signals.timeline import runs
from flowdiag.durations import MINUTE_MS

SHORTEST_MS: Final = 20_000
# A longer silence is people going home, not a line that fails (as for an outage that nothing proves).
LONGEST_MS: Final = 2 * 3_600_000
# A silence so likely by the site's own habit is not looked into.
LIKELY: Final = 0.01
# A silence between the beginnings and ends of records that cover it must be this unlikely.
COVERED_LIKELY: Final = 1e-5
HABIT_BINS: Final = 360
# A side of the export with fewer bins says nothing about a habit.
LEAST_BINS: Final = 6
# More silences than that are a habit; so are more that might be some, before their edges are looked for.
MOST: Final = 12
MOST_LIKE_IT: Final = 100
# Of a silence that the exporter shares in for such a part it says nothing.
MOSTLY: Final = 0.5


class QuietTime(Struct, frozen=True):
    """[start_ms, end_ms) without anything that came in. likely: by habit, 0 to 1. covered: by records that outlast it."""

    start_ms: int
    end_ms: int
    likely: float
    covered: bool = False

    @property
    def length_ms(self) -> int:
        return self.end_ms - self.start_ms


@once_per_case
def quiet_times(case: Case) -> tuple[QuietTime, ...]:
    """Those that touch the time asked about, in time order; none where they are a habit."""
    if nothing_to_see(case):
        return ()
    view = scene(case)
    found = _quiet(case, view.carried, covered=False)
    between = [
        one
        for one in _quiet(case, view.met, covered=True)
        if not any(one.start_ms < other.end_ms and other.start_ms < one.end_ms for other in found)
    ]
    every = sorted([*found, *between], key=lambda one: one.start_ms)
    return tuple(every) if len(every) <= MOST else ()


def _quiet(case: Case, carried: NDArray[np.bool_], *, covered: bool) -> list[QuietTime]:
    grid = scene(case).grid
    first_ms, last_ms = case.coverage.first_ms or 0, case.coverage.last_ms or 0
    low, high = max(case.window_ms[0], first_ms), min(case.window_ms[1], last_ms)
    spans = np.array(runs(~carried), dtype=np.int64).reshape(-1, 2)
    begins, ends = (grid.start_ms + spans * STEP_MS).T
    long = (spans[:, 1] - spans[:, 0] + 2) * STEP_MS >= SHORTEST_MS
    spans = spans[(ends > low) & (begins < high) & long]
    likely = _likely(case, carried, spans, sceptical=covered)
    rare = np.flatnonzero(likely <= (COVERED_LIKELY if covered else LIKELY))
    unlikely = [
        (first, stop, chance)
        for first, stop, chance in zip(*spans[rare].T.tolist(), likely[rare].tolist(), strict=True)
        if not _unknown(case, grid.time_of(first), grid.time_of(stop))
    ]
    found = []
    for first, stop, chance in unlikely if len(unlikely) <= MOST_LIKE_IT else []:
        start, end = (_met_edges if covered else silence_edges)(case, first, stop)
        start, end = max(start, first_ms), min(end, last_ms)
        if SHORTEST_MS <= end - start < LONGEST_MS:
            found.append(QuietTime(start, end, chance, covered))
    return found


def _likely(
    case: Case, carried: NDArray[np.bool_], spans: NDArray[np.int64], *, sceptical: bool
) -> NDArray[np.float64]:
    """How likely each silence is by habit: that of an hour on both sides; of the quieter side where it is long.

    spans: bins [first, stop), shape [n, 2]. sceptical: bins without anything are as likely as if one more of those around had
    been one (rule of succession).
    """
    first, stop = spans.T
    begins, ends = scene(case).grid.bin_of(
        np.array([case.coverage.first_ms or 0, case.coverage.last_ms or 0])
    )
    before = np.maximum(first - np.maximum(first - HABIT_BINS, begins), 0)
    after = np.maximum(np.minimum(stop + HABIT_BINS, min(int(ends) + 1, len(carried))) - stop, 0)
    count = np.zeros(len(carried) + 1, np.int32)
    np.cumsum(carried, out=count[1:])
    met_before, met_after = count[first] - count[first - before], count[stop + after] - count[stop]
    more = 1 if sceptical else 0

    def habit(met: NDArray[np.int64], bins: NDArray[np.int64]) -> NDArray[np.float64]:
        return np.where(bins > 0, met / np.maximum(bins + more, 1), 0.0)

    short = (stop - first) * STEP_MS < case.profile.thresholds.outage_minutes * MINUTE_MS
    quieter = np.minimum(habit(met_before, before), habit(met_after, after))
    usual = np.where(short, habit(met_before + met_after, before + after), quieter)
    likely: NDArray[np.float64] = (1.0 - usual) ** (stop - first)
    return np.where(short | (np.minimum(before, after) >= LEAST_BINS), likely, 1.0)


def _unknown(case: Case, begin: int, end: int) -> bool:
    """Whether lost records, a restart or a silent exporter may have made a silence."""
    usage = case.usage
    minute = (begin - usage.start_ms) // usage.window_ms
    if bool(hidden(case, usage)[minute : minute + 1].any()):
        return True
    return sum(gap.within(begin, end) for gap in silences(case)) > MOSTLY * (end - begin)


def _met_edges(case: Case, first: int, stop: int) -> tuple[int, int]:
    """[start, end) in ms of bins in which no record begins or ends, to the nearest that do; else the bins' own edge."""
    view, flows = scene(case), case.flows
    low, high = view.grid.time_of(first), view.grid.time_of(stop)
    met = np.concatenate([flows.start_ms[view.came], flows.end_ms[view.came]])
    before, after = met[(met >= low - STEP_MS) & (met < low)], met[(met >= high) & (met < high + STEP_MS)]
    return int(before.max()) if len(before) else low, int(after.min()) if len(after) else high
