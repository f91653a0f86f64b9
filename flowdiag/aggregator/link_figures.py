"""Figures of each link and direction over a window: mean, 95th percentile, peak, busy and full minutes.

The window may begin and end anywhere. Of a grid window (or five minutes) that it cuts, or that the export covers only in
part, the part inside counts, with its own seconds.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from types import MappingProxyType
from typing import Final

import numpy as np
from numpy.typing import NDArray

from flowdiag.aggregator.carried import Carried
from flowdiag.aggregator.figures import DirectionFigures, LinkFigures
from flowdiag.aggregator.full_time import busy_ms, full_ms, inside
from flowdiag.aggregator.percentiles import nearest_rank
from flowdiag.aggregator.spread import WindowGrid
from flowdiag.aggregator.usage import RATED_PART, Usage, window_rates
from flowdiag.durations import MINUTE_MS, Span
from flowdiag.site.profile import Profile

FIVE_MINUTES_MS: Final = 300_000  # what transit billing averages over (common practice)
LEAST_FIVES: Final = 3  # of fewer five-minute rates no percentile says anything
PERCENT: Final = 95.0
BITS_PER_OCTET: Final = 8.0
# A rate that equals the threshold but for rounding is at it.
_ROUNDING: Final = 1e-9


def link_figures(
    usage: Usage,
    carried: Carried,
    profile: Profile,
    window_ms: tuple[int, int],
    heard: NDArray[np.bool_] | None = None,
    full_times: Mapping[tuple[int, int], Sequence[Span]] = MappingProxyType({}),
) -> tuple[LinkFigures, ...]:
    """Figures of [from, to), ms since 1970 UTC, for each link of the profile in order.

    usage: on the grid whose windows are judged busy, full and peak; carried: of the same flows. heard: bool per window of
    it; windows in which the exporter was silent are not judged, since silence is no zero. full_times: by link and
    direction the times known to the second in which it was full, which count in place of the windows that they touch. The
    mean is the octets inside the window over its length as far as the export covers it, silence in between included.
    """
    totals = carried.totals(window_ms)
    windows = _Rates(usage, carried, window_ms, usage.window_ms, heard)
    fives = _Rates(usage, carried, window_ms, FIVE_MINUTES_MS, heard)
    length_ms = covered_part_ms(usage, window_ms)
    found = []
    for number, link in enumerate(profile.link):
        both = []
        for direction, capacity in enumerate((link.down_mbps, link.up_mbps)):
            wire, octets = totals[:, 2 * number + direction]
            mean = float(wire) * BITS_PER_OCTET / length_ms / 1000.0
            rates = windows.judged(number, direction, otherwise=mean)
            ranked = fives.judged(number, direction, otherwise=mean) if fives.count >= LEAST_FIVES else rates
            highest = int(np.argmax(rates))
            exact = full_times.get((number, direction), ())
            both.append(
                DirectionFigures(
                    capacity_mbps=capacity,
                    mean_mbps=mean,
                    p95_mbps=nearest_rank(ranked, PERCENT),
                    peak_mbps=float(rates[highest]),
                    octets=round(float(octets)),
                    busy_minutes=windows.minutes(busy_ms, rates, profile.thresholds.busy * capacity, exact),
                    full_minutes=windows.minutes(full_ms, rates, profile.thresholds.full * capacity, exact),
                    peak_ms=windows.begin_ms(highest),
                    peak_window_s=windows.length_s(highest),
                )
            )
        found.append(LinkFigures(link.name, link.role, both[0], both[1]))
    return tuple(found)


def covered_part_ms(usage: Usage, window_ms: tuple[int, int]) -> int:
    """How much of [from, to) the export covers, at least 1 ms; all of it where it covers nothing."""
    if not usage.lengths_ms.any():
        return max(window_ms[1] - window_ms[0], 1)
    begin, end = _covered_span(usage)
    inside = min(end, window_ms[1]) - max(begin, window_ms[0])
    return max(inside if inside > 0 else window_ms[1] - window_ms[0], 1)


def _covered_span(usage: Usage) -> tuple[int, int]:
    """[from, to) that the export covers, as the windows have it."""
    lengths = usage.lengths_ms
    known = np.flatnonzero(lengths > 0)
    if not len(known):
        return usage.start_ms, usage.end_ms
    first, last = int(known[0]), int(known[-1])
    begin = usage.start_ms + (first + 1) * usage.window_ms - int(lengths[first])
    if first == last:  # it may begin and end within one window; where in it makes no difference
        return begin, begin + int(lengths[first])
    return begin, usage.start_ms + last * usage.window_ms + int(lengths[last])


class _Rates:
    """Rates in Mbit/s of the steps (windows, or five minutes) that can be judged, per link and direction."""

    def __init__(
        self,
        usage: Usage,
        carried: Carried,
        window_ms: tuple[int, int],
        step_ms: int,
        heard: NDArray[np.bool_] | None,
    ) -> None:
        begin, end = window_ms
        covered = _covered_span(usage)
        start, stop = max(begin, covered[0]), min(end, covered[1])
        # A window may be asked for of any length.
        grid = WindowGrid.covering(start, max(stop, start + 1), step_ms)
        edges = grid.edges()
        low, high = np.maximum(edges[:-1], start), np.minimum(edges[1:], stop)
        inside = np.maximum(high - low, 0)
        judged = (inside > 0) & _mostly_heard(usage, heard, grid)
        if step_ms > usage.window_ms:
            judged &= inside >= RATED_PART * step_ms
        self._begin_ms, self._inside = low[judged], inside[judged]
        self._rates = np.zeros((len(usage.links), 2, 0))
        self._window_ms = window_ms
        if judged.any():
            octets = _on_grid(usage, carried, grid)
            self._cut_edges(octets, carried, grid, window_ms)
            self._rates = np.empty((len(usage.links), 2, int(judged.sum())))
            for link in range(len(usage.links)):
                for direction in (0, 1):
                    rates = window_rates(octets[link, direction], inside, step_ms)
                    self._rates[link, direction] = rates[judged]

    @property
    def count(self) -> int:
        return len(self._inside)

    def judged(self, link: int, direction: int, otherwise: float) -> NDArray[np.float64]:
        """Rates of the judged steps; if there are none (a window of seconds), the one rate given."""
        rates: NDArray[np.float64] = self._rates[link, direction]
        return rates if len(rates) else np.array([otherwise])

    def begin_ms(self, step: int) -> int:
        return int(self._begin_ms[step]) if self.count else self._window_ms[0]

    def length_s(self, step: int) -> float:
        length = int(self._inside[step]) if self.count else self._window_ms[1] - self._window_ms[0]
        return length / 1000.0

    def minutes(
        self, added: Callable[..., int], rates: NDArray[np.float64], limit: float, exact: Sequence[Span]
    ) -> float:
        """Minutes of 60 s at or over a limit, to a hundredth: the steps so and times known exactly, added up."""
        if not self.count:
            return 0.0
        over = rates >= limit * (1 - _ROUNDING)
        within = inside(exact, self._begin_ms[0], self._begin_ms[-1] + self._inside[-1])
        return round(added(self._begin_ms, self._inside, over, within) / MINUTE_MS, 2)

    @staticmethod
    def _cut_edges(
        octets: NDArray[np.float64],
        carried: Carried,
        grid: WindowGrid,
        window_ms: tuple[int, int],
    ) -> None:
        """Replaces the octets of steps that the window cuts by those inside it."""
        for step in sorted({0, grid.windows - 1}):
            begin = grid.start_ms + step * grid.window_ms
            end = begin + grid.window_ms
            low, high = max(begin, window_ms[0]), min(end, window_ms[1])
            if (low, high) == (begin, end):
                continue
            octets[:, :, step] = carried.totals((low, high))[0].reshape(-1, 2)


def _on_grid(usage: Usage, carried: Carried, grid: WindowGrid) -> NDArray[np.float64]:
    """Octets with framing per step of a grid: added up from the usage where its windows fit, else asked for."""
    links = len(usage.links)
    if grid.window_ms % usage.window_ms or (grid.start_ms - usage.start_ms) % usage.window_ms:
        return carried.usage(grid).wire_octets
    starts = usage.start_ms + usage.window_ms * np.arange(usage.windows, dtype=np.int64)
    step = (starts - grid.start_ms) // grid.window_ms
    kept = np.flatnonzero((step >= 0) & (step < grid.windows))
    octets = np.zeros((links, 2, grid.windows))
    for link in range(links):
        for direction in (0, 1):
            octets[link, direction] = np.bincount(
                step[kept], usage.wire_octets[link, direction][kept], grid.windows
            )
    return octets


def _mostly_heard(usage: Usage, heard: NDArray[np.bool_] | None, grid: WindowGrid) -> NDArray[np.bool_]:
    """Whether the exporter was heard in at least half of the usage windows that begin in each step."""
    if heard is None:
        return np.ones(grid.windows, np.bool_)
    starts = usage.start_ms + usage.window_ms * np.arange(usage.windows, dtype=np.int64)
    if usage.window_ms > grid.window_ms:
        minute = (grid.edges()[:-1] - usage.start_ms) // usage.window_ms
        known = (minute >= 0) & (minute < usage.windows)
        return known & heard[np.clip(minute, 0, usage.windows - 1)]
    step = (starts - grid.start_ms) // grid.window_ms
    kept = np.flatnonzero((step >= 0) & (step < grid.windows))
    windows = np.bincount(step[kept], minlength=grid.windows)
    alive = np.bincount(step[kept], heard[kept], grid.windows)
    mostly: NDArray[np.bool_] = (windows > 0) & (alive >= 0.5 * windows)
    return mostly
