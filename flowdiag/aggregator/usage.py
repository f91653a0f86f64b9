"""Usage of each link and direction over time windows: the shape that the diagnoser compares with capacity."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, eq=False)
class Usage:
    """Octets per link, direction and window; windows stand on whole multiples of window_ms since 1970 UTC.

    start_ms: start of the first window. Arrays are [link, direction (0 down, 1 up), window].
    wire_octets: framing included, flows spread evenly over their own time; ip_octets, packets likewise.
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

    @property
    def windows(self) -> int:
        return int(self.wire_octets.shape[2])

    def mbps(self, link: int, direction: int) -> NDArray[np.float64]:
        """Rate per window in Mbit/s (10^6 bit/s), framing included; shape [window]."""
        rate: NDArray[np.float64] = self.wire_octets[link, direction] * (8.0 / self.window_ms / 1000.0)
        return rate
