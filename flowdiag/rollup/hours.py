"""Which hours of a window summaries stand for, and which times have to be read from flows.

Facts the design follows:
- an hour's summaries are of the flows that ended in it, whole: they may have begun before it, the longest record earlier;
- what a ranking counts of a flow is what lies in the window. So summaries stand for the hours in which only flows can have
  ended that lie wholly in it: from the first whole hour after its begin and the longest record to the last before its end;
- all other flows that touch the window are read.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from flowdiag.durations import HOUR_MS


class Hours(Struct, frozen=True, eq=False):
    """Hours since 1970 UTC. taken: whether each of them from `first` on is one."""

    first: int
    taken: NDArray[np.bool_]

    def __len__(self) -> int:
        return int(np.count_nonzero(self.taken))

    def has(self, hours: NDArray[np.int64]) -> NDArray[np.bool_]:
        """Which of some hours are among them. Shape [n]."""
        at = hours - self.first
        within = (at >= 0) & (at < len(self.taken))
        found: NDArray[np.bool_] = within & np.append(self.taken, False)[np.where(within, at, -1)]
        return found

    def without(self, hours: NDArray[np.int64]) -> Hours:
        """Those that are not among some hours."""
        taken = self.taken.copy()
        at = hours - self.first
        taken[at[(at >= 0) & (at < len(taken))]] = False
        return Hours(self.first, taken)

    def beside(self, begin_ms: int, end_ms: int) -> list[tuple[int, int]]:
        """The times [from, to) of a span that lie in none of them, in order."""
        edges = np.flatnonzero(np.diff(np.concatenate([[False], self.taken, [False]]).astype(np.int8)))
        inner = ((self.first + edges) * HOUR_MS).tolist()
        times = [begin_ms, *inner, end_ms]
        return [(low, high) for low, high in zip(times[::2], times[1::2], strict=True) if low < high]


def whole_hours(windows: Iterable[tuple[int, int]], longest_ms: int) -> Hours:
    """The hours in which only flows end that lie wholly in one of some windows [from, to), in ms and in order, one at
    least. longest_ms: of all flows."""
    ranges = [(-(-(begin + longest_ms) // HOUR_MS), end // HOUR_MS) for begin, end in windows]
    first, last = ranges[0][0], max(ranges[-1][1], ranges[0][0])
    taken = np.zeros(last - first, np.bool_)
    for low, high in ranges:
        taken[low - first : max(high, low) - first] = True
    return Hours(first, taken)
