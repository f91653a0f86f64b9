"""How long a link was at its limit at the records' own resolution, in times too short to count as sustained.

Shared by not-the-link and cannot-tell; this module alleges nothing itself. Whole minutes of the clock hide a
limit that was reached for a minute and a half, or in a window that holds no three whole minutes. To say "there was
room" all the same would be wrong. So the complaint's window is looked at on a grid of ten seconds: records
spread evenly over their own time, framing added, full from the same threshold as a minute. Bursts under half a
minute are part of every healthy day (common practice, no source) and left out. A sampled export is too rough for
ten seconds; there the minutes themselves are taken.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from flowdiag.aggregator.site_flows import SiteFlows, where
from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.episodes import SUSTAINED, bridged, capacity_mbps
from flowdiag.diagnoser.once import once_per_case
from flowdiag.diagnoser.timeline import Grid

STEP_MS: Final = 10_000
# A run of this length or more is worth telling.
LEAST_MS: Final = 30_000
# From this part of the covered time on, "the line had room" is hardly true.
MUCH: Final = 0.25
# In a covered time too short for a sustained finding, this part at the limit leaves the question open.
MOST: Final = 0.5


@dataclass(frozen=True)
class AtLimit:
    """A link direction's time at its limit in the complaint's window, as far as the export covers it.

    total_ms: of all runs worth telling; start_ms, end_ms: the longest of them; covered_ms: what both are parts of.
    rate_mbps: mean wire rate over the longest.
    """

    link: int
    direction: int
    total_ms: int
    start_ms: int
    end_ms: int
    covered_ms: int
    rate_mbps: float

    @property
    def longest_ms(self) -> int:
        return self.end_ms - self.start_ms

    @property
    def share(self) -> float:
        return self.total_ms / self.covered_ms

    @property
    def leaves_open(self) -> bool:
        """Whether the time is too short for a sustained finding and the line at its limit for most of it."""
        return self.covered_ms < SUSTAINED * 60_000 and self.share >= MOST


@once_per_case
def at_limit(case: Case) -> tuple[AtLimit, ...]:
    """Per link direction that reached its limit for half a minute or more in the window; the longest first."""
    begin, end = _covered(case)
    if end - begin < LEAST_MS or not case.coverage.links_apart:
        return ()
    found = []
    for link in range(len(case.profile.link)):
        for direction in (0, 1):
            grid, rate = _rates(case, link, direction, begin, end)
            full = rate >= case.profile.thresholds.full * capacity_mbps(case, link, direction)
            runs = [run for run in bridged(full, 1) if (run[1] - run[0]) * grid.step_ms >= LEAST_MS]
            if not runs:
                continue
            first, past = max(runs, key=lambda run: (run[1] - run[0], -run[0]))
            found.append(
                AtLimit(
                    link=link,
                    direction=direction,
                    total_ms=sum(b - a for a, b in runs) * grid.step_ms,
                    start_ms=grid.time_of(first),
                    end_ms=grid.time_of(past),
                    covered_ms=end - begin,
                    rate_mbps=float(rate[first:past].mean()),
                )
            )
    return tuple(sorted(found, key=lambda limit: (-limit.longest_ms, limit.link, limit.direction)))


def _covered(case: Case) -> tuple[int, int]:
    """The complaint's window as far as the export reaches, ms."""
    (begin, end), coverage = case.window_ms, case.coverage
    if coverage.first_ms is None or coverage.last_ms is None:
        return begin, begin
    return max(begin, coverage.first_ms), min(end, coverage.last_ms)


def _rates(case: Case, link: int, direction: int, begin: int, end: int) -> tuple[Grid, NDArray[np.float64]]:
    """Wire rate in Mbit/s per bin of a grid that covers [begin, end)."""
    usage = case.usage
    if case.coverage.sampling > 1:
        first = max((begin - usage.start_ms) // usage.window_ms, 0)
        past = max(-((usage.start_ms - end) // usage.window_ms), first)
        rate = usage.mbps(link, direction)[first:past]
        return Grid(usage.start_ms + first * usage.window_ms, usage.window_ms, len(rate)), rate
    start = begin // STEP_MS * STEP_MS
    grid = Grid(start, STEP_MS, -((start - end) // STEP_MS))
    flows = case.flows

    def near(some: SiteFlows) -> NDArray[np.bool_]:
        mine: NDArray[np.bool_] = (some.link == link) & (some.direction == direction)
        return mine & (some.start_ms < grid.end_ms) & (some.end_ms >= grid.start_ms)

    rows = np.flatnonzero(where(flows, near))
    octets = grid.spread(flows.start_ms[rows], flows.end_ms[rows], flows.wire_octets[rows])
    return grid, octets * (8.0 / STEP_MS / 1000.0)
