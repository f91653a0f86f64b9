"""Sets of times: sorted disjoint half-open intervals [start, end) in whole milliseconds."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True)
class Intervals:
    """An immutable set of times. Make one with `of`; the spans are sorted, disjoint, not empty, not touching."""

    spans: tuple[tuple[int, int], ...] = ()

    @classmethod
    def of(cls, spans: Iterable[tuple[int, int]]) -> Intervals:
        """The union of any spans; those that end before they begin, or at once, are empty."""
        merged: list[tuple[int, int]] = []
        for start, end in sorted(span for span in spans if span[0] < span[1]):
            if merged and start <= merged[-1][1]:
                merged[-1] = merged[-1][0], max(merged[-1][1], end)
            else:
                merged.append((start, end))
        return cls(tuple(merged))

    @classmethod
    def from_mask(cls, mask: NDArray[np.bool_], start_ms: int, window_ms: int) -> Intervals:
        """The windows of a grid that are True in mask (shape [window])."""
        change = np.diff(np.concatenate([[0], mask.astype(np.int8), [0]]))
        starts, ends = np.flatnonzero(change == 1), np.flatnonzero(change == -1)
        return cls(
            tuple(
                (start_ms + first * window_ms, start_ms + past * window_ms)
                for first, past in zip(starts.tolist(), ends.tolist(), strict=True)
            )
        )

    def __iter__(self) -> Iterator[tuple[int, int]]:
        return iter(self.spans)

    def __len__(self) -> int:
        return len(self.spans)

    @property
    def total_ms(self) -> int:
        return sum(end - start for start, end in self.spans)

    def union(self, other: Intervals) -> Intervals:
        return Intervals.of(self.spans + other.spans)

    def intersection(self, other: Intervals) -> Intervals:
        found = []
        mine, theirs = 0, 0
        while mine < len(self.spans) and theirs < len(other.spans):
            start = max(self.spans[mine][0], other.spans[theirs][0])
            end = min(self.spans[mine][1], other.spans[theirs][1])
            if start < end:
                found.append((start, end))
            if self.spans[mine][1] <= other.spans[theirs][1]:
                mine += 1
            else:
                theirs += 1
        return Intervals(tuple(found))

    def gaps(self, start_ms: int, end_ms: int) -> Intervals:
        """What of [start_ms, end_ms) is not in the set."""
        edges = [start_ms]
        for start, end in self.clip(start_ms, end_ms):
            edges += [start, end]
        edges.append(end_ms)
        return Intervals.of(zip(edges[::2], edges[1::2], strict=True))

    def clip(self, start_ms: int, end_ms: int) -> Intervals:
        return self.intersection(Intervals.of([(start_ms, end_ms)]))

    def bridge(self, gap_ms: int) -> Intervals:
        """The set with every gap of at most gap_ms between two of its intervals filled."""
        merged: list[tuple[int, int]] = []
        for start, end in self.spans:
            if merged and start - merged[-1][1] <= gap_ms:
                merged[-1] = merged[-1][0], end
            else:
                merged.append((start, end))
        return Intervals(tuple(merged))

    def at_least(self, length_ms: int) -> Intervals:
        """Only the intervals of at least length_ms."""
        return Intervals(tuple(span for span in self.spans if span[1] - span[0] >= length_ms))

    def contains(self, time_ms: int) -> bool:
        return any(start <= time_ms < end for start, end in self.spans)
