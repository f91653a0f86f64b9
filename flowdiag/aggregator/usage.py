"""Usage of each link and direction over time windows: the shape that the diagnoser compares with capacity."""

from __future__ import annotations

from typing import Final

import numpy as np
from msgspec import Struct
from msgspec.structs import replace
from numpy.typing import NDArray

# A window that is cut to less than this part of itself is rated together with its neighbour: a moment is no peak.
RATED_PART: Final = 0.5
# An export that lasts less counts as so long: the octets of a moment, over that moment, are no rate.
SHORTEST_SPAN_MS: Final = 5_000


class Usage(Struct, frozen=True, eq=False):
    """Octets per link, direction and window; windows stand on whole multiples of window_ms since 1970 UTC.

    start_ms: start of the first window. Arrays are [link, direction (0 down, 1 up), window].
    wire_octets: framing included, flows spread evenly over their own time; ip_octets, packets likewise.
    covered_ms: of each window, how much the export covers; None where it covers all of them.
    lower, upper: the least and most wire octets that the window can have carried, given the flows' times
      (flows wholly inside; flows that touch it). None when not asked for.
    """

    start_ms: int
    window_ms: int
    links: tuple[str, ...]
    wire_octets: NDArray[np.float64]
    ip_octets: NDArray[np.float64]
    packets: NDArray[np.float64]
    lower: NDArray[np.float64] | None = None
    upper: NDArray[np.float64] | None = None
    covered_ms: NDArray[np.int64] | None = None

    @property
    def windows(self) -> int:
        return int(self.wire_octets.shape[2])

    @property
    def end_ms(self) -> int:
        return self.start_ms + self.windows * self.window_ms

    def times(self, first: int, stop: int) -> tuple[int, int]:
        """[start, end) in ms since 1970 UTC of the windows [first, stop)."""
        return self.start_ms + first * self.window_ms, self.start_ms + stop * self.window_ms

    def touched(self, start_ms: int, end_ms: int) -> slice:
        """The windows that [start_ms, end_ms) touches, clipped to those there are."""
        first = max((start_ms - self.start_ms) // self.window_ms, 0)
        stop = min(-((self.start_ms - end_ms) // self.window_ms), self.windows)
        return slice(first, max(stop, first))

    @property
    def lengths_ms(self) -> NDArray[np.int64]:
        """How much of each window counts: what the export covers of it. Shape [window]."""
        return np.full(self.windows, self.window_ms, np.int64) if self.covered_ms is None else self.covered_ms

    def mbps(self, link: int, direction: int) -> NDArray[np.float64]:
        """Rate per window in Mbit/s (10^6 bit/s) over the part of it that the export covers, framing included; shape
        [window].
        """
        return window_rates(self.wire_octets[link, direction], self.lengths_ms, self.window_ms)

    def covering(self, span_ms: tuple[int, int]) -> Usage:
        """The same usage of an export that covers [from, to) only."""
        begin, end = span_ms
        end = max(end, begin + SHORTEST_SPAN_MS)
        if begin <= self.start_ms and end >= self.end_ms:
            return self
        edges = self.start_ms + self.window_ms * np.arange(self.windows + 1, dtype=np.int64)
        inside = np.minimum(edges[1:], end) - np.maximum(edges[:-1], begin)
        return replace(self, covered_ms=np.maximum(inside, 0))


def window_rates(
    octets: NDArray[np.float64], inside_ms: NDArray[np.int64], window_ms: int
) -> NDArray[np.float64]:
    """Rates in Mbit/s of windows of which only a part counts, as at both ends of an export; shape [window].

    octets: within that part; inside_ms: its length, 0 where nothing counts. What is left of the first or the last
    window, if less than RATED_PART of it, has one rate with its neighbour, so that the mean over all of them is never
    above the highest.
    """
    rates = octets * (8.0 / 1000.0) / np.maximum(inside_ms, 1)
    rates[inside_ms <= 0] = 0.0
    known = np.flatnonzero(inside_ms > 0)
    if len(known) > 1:
        for at, beside in ((known[0], known[1]), (known[-1], known[-2])):
            if inside_ms[at] < RATED_PART * window_ms:
                both = [at, beside]
                rates[both] = octets[both].sum() * (8.0 / 1000.0) / inside_ms[both].sum()
    return rates
