"""A fine time grid for chosen records: what the link findings need beside the one-minute usage.

Failovers last seconds to days; ten-second bins show a switch that a minute would blur.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from flowdiag.aggregator.steps import added_up


@dataclass(frozen=True)
class Grid:
    """Bins of step_ms from start_ms on."""

    start_ms: int
    step_ms: int
    bins: int

    @property
    def end_ms(self) -> int:
        return self.start_ms + self.step_ms * self.bins

    def bin_of(self, times_ms: NDArray[np.int64]) -> NDArray[np.int64]:
        """The bin of each time, clipped into the grid."""
        bins: NDArray[np.int64] = np.clip(
            (times_ms - self.start_ms) // self.step_ms, 0, max(self.bins - 1, 0)
        )
        return bins

    def time_of(self, place: int) -> int:
        return self.start_ms + self.step_ms * int(place)

    def covering(
        self,
        start_ms: NDArray[np.int64],
        end_ms: NDArray[np.int64],
        counted: NDArray[np.bool_] | None = None,
    ) -> NDArray[np.int64]:
        """How many records [start, end] touch each bin; those outside the grid do not count. Shape [bins].

        counted: of these records only; None for all.
        """

        def changes(step: slice) -> NDArray[np.int64]:
            start, end = start_ms[step], end_ms[step]
            inside = (end >= self.start_ms) & (start < self.end_ms)
            if counted is not None:
                inside &= counted[step]
            rows = np.flatnonzero(inside)
            first = (np.maximum(start[rows], self.start_ms) - self.start_ms) // self.step_ms
            last = (np.minimum(end[rows], self.end_ms - 1) - self.start_ms) // self.step_ms
            begun = np.bincount(first, minlength=self.bins + 1)
            return begun - np.bincount(last + 1, minlength=self.bins + 1)

        change = added_up(changes, len(start_ms), cells=self.bins)
        count: NDArray[np.int64] = np.cumsum(change)[: self.bins]
        return count

    def starting(self, start_ms: NDArray[np.int64]) -> NDArray[np.int64]:
        """How many records start in each bin. Shape [bins]."""
        inside = (start_ms >= self.start_ms) & (start_ms < self.end_ms)
        return np.bincount(self.bin_of(start_ms[inside]), minlength=self.bins)[: self.bins]

    def spread(
        self, start_ms: NDArray[np.int64], end_ms: NDArray[np.int64], values: NDArray[np.float64]
    ) -> NDArray[np.float64]:
        """`values` spread evenly over each record's own time, the part inside the grid only. Shape [bins].

        Records within one bin are simply added. For the others the running total at the bin edges is a sum of
        ramps, which two sums of rates and rate x time give without a step per record.
        """
        first = (start_ms - self.start_ms) / self.step_ms
        last = (np.maximum(end_ms, start_ms + 1) - self.start_ms) / self.step_ms
        total = np.zeros(self.bins)
        within = (np.floor(first) == np.floor(last)) & (first >= 0) & (first < self.bins)
        total += np.bincount(first[within].astype(np.int64), values[within], self.bins)[: self.bins]
        across = ~within & (last > 0) & (first < self.bins)
        if across.any():
            total += self._ramps(first[across], last[across], values[across])
        return total

    def _ramps(
        self, first: NDArray[np.float64], last: NDArray[np.float64], values: NDArray[np.float64]
    ) -> NDArray[np.float64]:
        rate = values / (last - first)
        slope = np.zeros(self.bins + 2)
        offset = np.zeros(self.bins + 2)
        for at, sign in ((first, 1.0), (last, -1.0)):
            # A ramp that begins at `at` has risen by rate x (edge - at) at every edge from ceil(at) on.
            edge = np.clip(np.ceil(at), 0, self.bins + 1).astype(np.int64)
            slope += np.bincount(edge, sign * rate, self.bins + 2)
            offset += np.bincount(edge, sign * rate * at, self.bins + 2)
        edges = np.arange(self.bins + 1)
        running = edges * np.cumsum(slope)[: self.bins + 1] - np.cumsum(offset)[: self.bins + 1]
        return np.maximum(np.diff(running), 0.0)


def runs(mask: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """[first, past the last) of each run of True."""
    padded = np.diff(np.concatenate([[0], mask.astype(np.int8), [0]]))
    return list(zip(np.flatnonzero(padded == 1).tolist(), np.flatnonzero(padded == -1).tolist(), strict=True))
