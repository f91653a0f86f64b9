"""The time of a watch, and whether it can be relied on.

A clock that is set, or a machine that slept, lets everything seem old at once: how long ago somebody was heard tells nothing
until there was time to hear them.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Final

# A collector hands on at each whole minute what came in it, which takes it some seconds.
HANDED_ON_S: Final = 8.0
STEP_S: Final = 30.0  # by which clocks of one machine differ only when one was set
SETTLED_S: Final = (
    420.0  # a little longer than an exporter that is heard may say nothing (LEAST_UNHEARD_MS in look.py)
)


class WatchClock:
    """wall, steady: seconds since 1970, and seconds that only grow."""

    def __init__(
        self, wall: Callable[[], float] = time.time, steady: Callable[[], float] = time.monotonic
    ) -> None:
        self._wall, self._steady = wall, steady
        self._last: tuple[float, float] | None = None
        self._stepped_s: float | None = None

    def now_ms(self) -> int:
        wall, steady = self._wall(), self._steady()
        if self._last is not None:
            passed, ticked = wall - self._last[0], steady - self._last[1]
            if abs(passed - ticked) > STEP_S:
                self._stepped_s = steady
        self._last = wall, steady
        return round(wall * 1000)

    def until_round_s(self, every_s: float) -> float:
        """How long it is until the next round of those that begin every_s apart, where each finds what a collector has just
        handed on; more than nothing, and no more than that."""
        return every_s - (self._wall() - min(HANDED_ON_S, every_s / 2)) % every_s

    @property
    def settled(self) -> bool:
        """Whether the clock was not set lately, as of the last now_ms()."""
        return self._stepped_s is None or self._last is None or self._last[1] - self._stepped_s >= SETTLED_S
