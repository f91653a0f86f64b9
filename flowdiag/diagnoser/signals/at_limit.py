"""How long a link was at its limit at the records' own resolution, in times too short to count as sustained.

Shared by link-full, not-the-link and cannot-tell; this module alleges nothing itself. Minutes hide a limit that was reached
for a minute and a half, or in a window that holds no three minutes. To say "there was room" all the same would be wrong. So
the complaint's window is looked at in steps of ten seconds, of five where the export resolves them: records spread evenly
over their own time, framing added, full from the same threshold as a minute. A spell lasts two windows of the export's
resolution at least; where that is coarse, half a minute, because shorter bursts are part of every healthy day (common
practice, no source). A sampled export is too rough for seconds; there the minutes themselves are taken.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from flowdiag.aggregator.figure_windows import resolved_ms
from flowdiag.aggregator.site_flows import SiteFlows, select
from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.once import once_per_case
from flowdiag.diagnoser.signals.episodes import Episode, capacity_mbps, episodes
from flowdiag.diagnoser.signals.sustained import SUSTAINED_MS, bridged, joined, unblurred
from flowdiag.diagnoser.signals.timeline import Grid
from flowdiag.durations import MINUTE_MS

STEP_MS: Final = 10_000
FINEST_STEP_MS: Final = 5_000
# A spell is worth telling from two windows of the resolution on, or from this length where those are longer.
LEAST_MS: Final = 30_000
LEAST_WINDOWS: Final = 2
# From this part of the covered time on, "the line had room" is hardly true.
MUCH: Final = 0.25
# In a covered time too short for a sustained finding, this part at the limit leaves the question open.
MOST: Final = 0.5
# So near to a sustained time a spell is its beginning or its end.
BESIDE_MS: Final = MINUTE_MS


class AtLimit(Struct, frozen=True):
    """A link direction's time at its limit in the complaint's window, as far as the export covers it.

    spells: [start, end) in ms of each run worth telling, in order of time; covered_ms: what they are parts of.
    step_rates: (mean, highest) wire rate in Mbit/s of each, the highest over step_ms.
    """

    link: int
    direction: int
    spells: tuple[tuple[int, int], ...]
    covered_ms: int
    step_rates: tuple[tuple[float, float], ...]
    step_ms: int = STEP_MS

    def rates(self, spells: tuple[tuple[int, int], ...]) -> tuple[float, float]:
        """Mean and highest wire rate over some of its spells, Mbit/s."""
        chosen = [
            (mean, peak, end - start)
            for (start, end), (mean, peak) in zip(self.spells, self.step_rates, strict=True)
            if (start, end) in spells
        ]
        whole = sum(length for _, _, length in chosen)
        return sum(mean * length for mean, _, length in chosen) / whole, max(peak for _, peak, _ in chosen)

    @property
    def rate_mbps(self) -> float:
        """Mean wire rate over the longest of them."""
        return self.rates((self.longest,))[0]

    @property
    def longest(self) -> tuple[int, int]:
        """[start, end) of the longest spell, the first of several as long."""
        return max(self.spells, key=lambda spell: (spell[1] - spell[0], -spell[0]))

    @property
    def start_ms(self) -> int:
        return self.longest[0]

    @property
    def end_ms(self) -> int:
        return self.longest[1]

    @property
    def longest_ms(self) -> int:
        return self.longest[1] - self.longest[0]

    @property
    def total_ms(self) -> int:
        return sum(end - start for start, end in self.spells)

    @property
    def share(self) -> float:
        return self.total_ms / self.covered_ms


@once_per_case
def left_open(case: Case) -> tuple[AtLimit, ...]:
    """The limits of a link that was at one or the other for most of a time too short for a sustained finding.

    Of several links the one whose spell was longest; none where nothing is left open.
    """
    limits = at_limit(case)
    for link in dict.fromkeys(limit.link for limit in limits):
        own = tuple(limit for limit in limits if limit.link == link)
        covered_ms = own[0].covered_ms
        if covered_ms < SUSTAINED_MS and limited_ms(own) >= MOST * covered_ms:
            return own
    return ()


def limited_ms(limits: Iterable[AtLimit]) -> int:
    """How long one or another of the limits was reached."""
    return sum(
        end - start for start, end in joined(sorted(spell for limit in limits for spell in limit.spells), 0)
    )


@once_per_case
def at_limit(case: Case) -> tuple[AtLimit, ...]:
    """Per link direction that reached its limit in the window for spells beside its sustained times; the longest first."""
    begin, end = covered_window(case)
    if case.sums is not None:
        return _of_parts(case, end - begin)
    step_ms, least_ms = _lengths(case)
    if end - begin < least_ms or not case.coverage.links_apart:
        return ()
    found = []
    for link in range(len(case.profile.link)):
        for direction in (0, 1):
            limit = _of_direction(case, link, direction, begin, end, step_ms, least_ms)
            if limit is not None:
                found.append(limit)
    return tuple(sorted(found, key=lambda limit: (-limit.longest_ms, limit.link, limit.direction)))


def _of_parts(case: Case, covered_ms: int) -> tuple[AtLimit, ...]:
    """The same of a long time: what its parts have. covered_ms: of the long time."""
    found: dict[tuple[int, int], list[AtLimit]] = {}
    for part in case.parts:
        for limit in at_limit(part):
            found.setdefault((limit.link, limit.direction), []).append(limit)
    joined = [
        AtLimit(
            link,
            direction,
            tuple(spell for limit in limits for spell in limit.spells),
            covered_ms,
            tuple(rates for limit in limits for rates in limit.step_rates),
            limits[0].step_ms,
        )
        for (link, direction), limits in found.items()
    ]
    return tuple(sorted(joined, key=lambda limit: (-limit.longest_ms, limit.link, limit.direction)))


def _lengths(case: Case) -> tuple[int, int]:
    """Length of a step and the least of a spell, ms."""
    if case.coverage.sampling > 1:
        return MINUTE_MS, LEAST_MS
    resolved = resolved_ms(case.coverage)
    return min(max(resolved, FINEST_STEP_MS), STEP_MS), min(LEAST_WINDOWS * resolved, LEAST_MS)


def covered_window(case: Case) -> tuple[int, int]:
    """The complaint's window as far as the export reaches, ms."""
    (begin, end), coverage = case.window_ms, case.coverage
    if coverage.first_ms is None or coverage.last_ms is None:
        return begin, begin
    return max(begin, coverage.first_ms), min(end, coverage.last_ms)


def _of_direction(
    case: Case, link: int, direction: int, begin: int, end: int, step_ms: int, least_ms: int
) -> AtLimit | None:
    full = case.profile.thresholds.full * capacity_mbps(case, link, direction)
    if not _may_be(case, link, direction, full, begin, end, least_ms):
        return None
    grid, rate = _rates(case, link, direction, begin, end, step_ms)
    capacity = capacity_mbps(case, link, direction)
    # Where steps are shorter than records, what a step has too much was sent in those beside it.
    reach = case.coverage.resolution_s * 1000 / grid.step_ms
    share = unblurred(rate / capacity, reach, np.inf)
    if reach > 1:  # steps as long as records are the windows of the figures, and have their rates
        rate = share * capacity
    sustained = [
        episode
        for episode in episodes(case).full
        if (episode.link, episode.direction) == (link, direction) and not episode.estimated
    ]
    kept = [
        (first, stop)
        for first, stop in bridged(share >= case.profile.thresholds.full, 1)
        if (stop - first) * grid.step_ms >= least_ms
        and not _belongs(case, sustained, grid.time_of(first), grid.time_of(stop))
    ]
    spells, rates = [], []
    for first, stop in kept:
        start, until = max(grid.time_of(first), begin), min(grid.time_of(stop), end)
        if until - start >= least_ms:
            spells.append((start, until))
            rates.append((float(rate[first:stop].mean()), float(rate[first:stop].max())))
    if not spells:
        return None
    return AtLimit(link, direction, tuple(spells), end - begin, tuple(rates), grid.step_ms)


def _may_be(case: Case, link: int, direction: int, full: float, begin: int, end: int, least_ms: int) -> bool:
    """Whether any minute carried half a spell's octets, as one of two must have."""
    octets = case.usage.wire_octets[link, direction][case.usage.touched(begin, end)]
    half = full * 125.0 * least_ms / 2
    return bool(len(octets)) and float(octets.max()) >= half


def _belongs(case: Case, sustained: list[Episode], start: int, end: int) -> bool:
    return any(episode.overlaps(case, start - BESIDE_MS, end + BESIDE_MS) for episode in sustained)


def _rates(
    case: Case, link: int, direction: int, begin: int, end: int, step_ms: int
) -> tuple[Grid, NDArray[np.float64]]:
    """Wire rate in Mbit/s per bin of a grid that covers [begin, end)."""
    usage = case.usage
    if case.coverage.sampling > 1:
        windows = usage.touched(begin, end)
        rate = usage.mbps(link, direction)[windows]
        return Grid(usage.start_ms + windows.start * usage.window_ms, usage.window_ms, len(rate)), rate
    start = begin // step_ms * step_ms
    grid = Grid(start, step_ms, -((start - end) // step_ms))
    flows = case.flows

    def near(chunk: SiteFlows) -> NDArray[np.bool_]:
        on_link: NDArray[np.bool_] = (chunk.link == link) & (chunk.direction == direction)
        return on_link & (chunk.start_ms < grid.end_ms) & (chunk.end_ms >= grid.start_ms)

    rows = np.flatnonzero(select(flows, near))
    octets = grid.spread(flows.start_ms[rows], flows.end_ms[rows], flows.wire_octets[rows])
    return grid, octets * (8.0 / step_ms / 1000.0)
