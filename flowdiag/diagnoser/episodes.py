"""Sustained episodes: when a link direction ran over a threshold of its plan.

Shared by link-full, link-busy, below-plan and realtime-contention; this module alleges nothing itself.

An episode is made of one-minute windows at or over the threshold. A single window under it between two over
it does not end an episode. At least three windows in a row must be over it; where short dips keep breaking
the row, six windows over it that are two thirds of the episode do as well. Full episodes take their
minutes: a busy stretch counts on its own only where it is no run-up to or tail of a full one.

Sampling makes windows noisy: at 1 in 1000 a full minute of a slow link rests on some hundred packets, so
that single windows pass 90 % by chance. There the rate is first averaged over as many windows as bring the
relative error of a full window under two per cent, and an episode must last as long.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray

from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.once import once_per_case
from flowdiag.diagnoser.timeline import runs

SUSTAINED: Final = 3
# Rows broken by single dips: so many windows over, and such a part of the whole, are sustained too.
BROKEN_LEAST: Final = 6
BROKEN_SHARE: Final = 2 / 3
# A busy stretch beside a full one is its own episode from this many windows on; less is the ramp of the
# full one.
BESIDE_FULL: Final = 10
# More findings of one kind on one link and direction than a person reads: the closest are then joined, those that the
# complaint's window touches by themselves, and so those before it and after it, of which fewer matter.
MOST_EPISODES: Final = 6
MOST_AROUND: Final = 2
# Then spells that so many windows part are one trouble.
NEAR: Final = 15
# Sampling: the relative standard error that a (smoothed) full window may have, and the longest smoothing.
SAMPLING_ERROR: Final = 0.02
LONGEST_SMOOTHING: Final = 15
# What exceeds the plan by less than this comes from spreading; more says that the plan rate is wrong.
MOST_BLUR: Final = 1.15
LONGEST_REACH: Final = 5
# A rate that equals the threshold but for rounding is over it.
_ROUNDING: Final = 1e-9


@dataclass(frozen=True)
class Episode:
    """Windows [first, past) of the usage grid on one link and direction.

    spans: the parts of which it was joined, where there are many; else the one [first, past).
    """

    link: int
    direction: int
    spans: tuple[tuple[int, int], ...]

    @property
    def first(self) -> int:
        return self.spans[0][0]

    @property
    def past(self) -> int:
        return self.spans[-1][1]

    def windows(self) -> NDArray[np.intp]:
        """Indexes of the windows in the spans."""
        return np.concatenate([np.arange(first, past) for first, past in self.spans])

    def times(self, case: Case) -> tuple[int, int]:
        """[start, end) in ms since 1970 UTC."""
        usage = case.usage
        return usage.start_ms + self.first * usage.window_ms, usage.start_ms + self.past * usage.window_ms

    def span_times(self, case: Case) -> list[tuple[int, int]]:
        usage = case.usage
        return [
            (usage.start_ms + first * usage.window_ms, usage.start_ms + past * usage.window_ms)
            for first, past in self.spans
        ]

    def overlaps(self, first: int, past: int) -> bool:
        return any(a < past and b > first for a, b in self.spans)


@dataclass(frozen=True)
class Episodes:
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
    for link in range(len(case.profile.link)):
        for direction in (0, 1):
            share = case.usage.mbps(link, direction) / capacity_mbps(case, link, direction)
            width = smoothing(case, link, direction)
            if width == 1:
                share = unblurred(share, case.coverage.resolution_s * 1000 / case.usage.window_ms)
            full_runs = sustained(share >= limits.full - _ROUNDING, share, limits.full, width)
            busy_runs = sustained(share >= limits.busy - _ROUNDING, share, limits.busy, width)
            full += _bounded(case, link, direction, full_runs)
            busy += _bounded(case, link, direction, _beside(busy_runs, full_runs))
    return Episodes(tuple(full), tuple(busy))


def sustained(
    over: NDArray[np.bool_], share: NDArray[np.float64], threshold: float, width: int = 1
) -> list[tuple[int, int]]:
    """[first, past) of each sustained run. over: windows over the threshold; width: windows to average over
    (odd).
    """
    if width > 1:
        padded = np.pad(share, width // 2)
        over = np.convolve(padded, np.full(width, 1.0 / width), "valid") >= threshold - _ROUNDING
    edges = np.flatnonzero(np.diff(over, prepend=False, append=False)).reshape(-1, 2)
    if not len(edges):
        return []
    lengths = edges[:, 1] - edges[:, 0]
    # Runs that one window parts are one.
    begins = np.flatnonzero(np.concatenate([[True], edges[1:, 0] - edges[:-1, 1] > 1]))
    ends = np.concatenate([begins[1:], [len(edges)]]) - 1
    firsts, pasts = edges[begins, 0], edges[ends, 1]
    longest, count = np.maximum.reduceat(lengths, begins), np.add.reduceat(lengths, begins)
    broken = (count >= max(BROKEN_LEAST, width)) & (count >= BROKEN_SHARE * (pasts - firsts))
    kept = (longest >= SUSTAINED) | broken
    # An average over the threshold speaks for all of its windows.
    found = [
        (max(first - width // 2, 0), min(past + width // 2, len(over)))
        for first, past in zip(firsts[kept].tolist(), pasts[kept].tolist(), strict=True)
    ]
    return _joined(found, 0) if width > 1 else found


def unblurred(share: NDArray[np.float64], reach: float) -> NDArray[np.float64]:
    """Rates (as parts of the plan) with what exceeds the plan handed to the windows beside.

    A line cannot carry more than its plan; where even spreading says so, the octets were sent a little before
    or after, within the length of a record (reach, in windows). The nearest windows take first, both sides
    alike.
    """
    share = share.copy()
    steps = min(max(int(np.ceil(reach)), 1), LONGEST_REACH)
    for window in np.flatnonzero((share > 1.0) & (share <= MOST_BLUR)).tolist():
        excess = float(share[window]) - 1.0
        for step in range(1, steps + 1):
            sides = [side for side in (window - step, window + step) if 0 <= side < len(share)]
            for place, side in enumerate(sides):
                given = min(excess / (len(sides) - place), max(1.0 - float(share[side]), 0.0))
                share[side] += given
                excess -= given
        share[window] = 1.0 + excess
    return share


def bridged(mask: NDArray[np.bool_], gap: int) -> list[tuple[int, int]]:
    """Runs of True, those at most `gap` windows apart joined."""
    return _joined(runs(mask), gap)


def _joined(parts: list[tuple[int, int]], gap: int) -> list[tuple[int, int]]:
    joined: list[tuple[int, int]] = []
    for first, past in parts:
        if joined and first - joined[-1][1] <= gap:
            joined[-1] = (joined[-1][0], max(past, joined[-1][1]))
        else:
            joined.append((first, past))
    return joined


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


def _beside(busy: list[tuple[int, int]], full: list[tuple[int, int]]) -> list[tuple[int, int]]:
    """Busy runs without the full ones; what is left beside a full one must be long to count."""
    parts = []
    for first, past in busy:
        inner = [(a, b) for a, b in full if a < past and b > first]
        if not inner:
            parts.append((first, past))
            continue
        edges = [first, *(edge for span in inner for edge in span), past]
        rest = zip(edges[0::2], edges[1::2], strict=True)
        parts += [(a, b) for a, b in rest if b - a >= BESIDE_FULL]
    return parts


def _bounded(case: Case, link: int, direction: int, found: list[tuple[int, int]]) -> list[Episode]:
    """One episode per run; where there are too many, near ones are joined, but none over an edge of the window."""
    if len(found) <= MOST_EPISODES:
        return [Episode(link, direction, (run,)) for run in found]
    usage = case.usage
    begin, end = ((edge - usage.start_ms) / usage.window_ms for edge in case.window_ms)
    before, after = [run for run in found if run[1] <= begin], [run for run in found if run[0] >= end]
    within = found[len(before) : len(found) - len(after)]
    return [
        Episode(link, direction, spans)
        for part, most in ((before, MOST_AROUND), (within, MOST_EPISODES), (after, MOST_AROUND))
        for spans in _grouped(part, most)
    ]


def _grouped(found: list[tuple[int, int]], most: int) -> list[tuple[tuple[int, int], ...]]:
    """Runs in at most so many groups: those at most NEAR apart together, or cut at the widest gaps where that is not enough."""
    gaps = [after[0] - before[1] for before, after in pairwise(found)]
    cut = [place for place, gap in enumerate(gaps) if len(found) <= most or gap > NEAR]
    widest = sorted(cut, key=lambda place: (-gaps[place], place))[: most - 1]
    cuts = [0, *(place + 1 for place in sorted(widest)), len(found)]
    return [tuple(found[a:b]) for a, b in pairwise(cuts) if b > a]
