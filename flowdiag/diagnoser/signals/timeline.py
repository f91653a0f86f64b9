"""A fine time grid for chosen records: what the link findings need beside the one-minute usage.

Failovers last seconds to days; ten-second bins show a switch that a minute would blur.
"""

from __future__ import annotations

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from flowdiag.aggregator.chunks import chunked_sum
from flowdiag.aggregator.spread import WindowGrid, spread


class Grid(Struct, frozen=True):
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

    def time_of(self, number: int) -> int:
        return self.start_ms + self.step_ms * int(number)

    def covering(
        self,
        start_ms: NDArray[np.int64],
        end_ms: NDArray[np.int64],
        counted: NDArray[np.bool_] | None = None,
    ) -> NDArray[np.int64]:
        """How many records [start, end] touch each bin; those outside the grid do not count. Shape [bins].

        counted: of these records only; None for all.
        """
        return touching(*self.begun_and_ended(start_ms, end_ms, counted))

    def begun_and_ended(
        self,
        start_ms: NDArray[np.int64],
        end_ms: NDArray[np.int64],
        counted: NDArray[np.bool_] | None = None,
    ) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """How many records that touch the grid begin and end in each bin, those beyond it in the bins at its ends. Both [bins].

        counted: as for covering().
        """

        def ends(step: slice) -> NDArray[np.int64]:
            start, end = start_ms[step], end_ms[step]
            inside = (end >= self.start_ms) & (start < self.end_ms)
            if counted is not None:
                inside &= counted[step]
            rows = np.flatnonzero(inside)
            first = (np.maximum(start[rows], self.start_ms) - self.start_ms) // self.step_ms
            last = (np.minimum(end[rows], self.end_ms - 1) - self.start_ms) // self.step_ms
            return np.concatenate([np.bincount(side, minlength=self.bins) for side in (first, last)])

        begun, ended = np.split(chunked_sum(ends, len(start_ms), cells=2 * self.bins), 2)
        return begun.astype(np.int64), ended.astype(np.int64)

    def starting(self, start_ms: NDArray[np.int64]) -> NDArray[np.int64]:
        """How many records start in each bin. Shape [bins]."""
        inside = (start_ms >= self.start_ms) & (start_ms < self.end_ms)
        return np.bincount(self.bin_of(start_ms[inside]), minlength=self.bins)[: self.bins]

    def spread(
        self, start_ms: NDArray[np.int64], end_ms: NDArray[np.int64], values: NDArray[np.float64]
    ) -> NDArray[np.float64]:
        """`values`, none negative, spread evenly over each record's own time, the part inside the grid only. Shape [bins]."""
        windows = WindowGrid(self.start_ms, self.step_ms, self.bins)
        series: NDArray[np.float64] = spread(start_ms, end_ms, [values], windows)[0, 0]
        return series


def touching(begun: NDArray[np.int64], ended: NDArray[np.int64]) -> NDArray[np.int64]:
    """How many records touch each bin, of those that begin and end in each. Shape [bins]."""
    count: NDArray[np.int64] = np.cumsum(begun)
    count[1:] -= np.cumsum(ended)[:-1]
    return count


def runs(mask: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """[first, stop) of each run of True."""
    padded = np.diff(np.concatenate([[0], mask.astype(np.int8), [0]]))
    return list(zip(np.flatnonzero(padded == 1).tolist(), np.flatnonzero(padded == -1).tolist(), strict=True))
