"""Whole minutes: the moments at which what came is handed on, so that the newest minute can be asked about.

Facts the design follows:
- "the minute from 14:05" is one of the system's clock, which also dates what is received;
- that clock may be set. Whatever it does, a minute that passes is the longest wait, and a second the shortest.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Final

MINUTE_S: Final = 60.0


class Minutes:
    """wall: the system's clock, seconds since 1970 UTC; passing: one that nobody sets."""

    def __init__(
        self, wall: Callable[[], float] = time.time, passing: Callable[[], float] = time.monotonic
    ) -> None:
        self._wall = wall
        self._passing = passing
        self._begin()

    def _begin(self) -> None:
        self._minute, self._began = self._wall() // MINUTE_S, self._passing()

    def over(self) -> bool:
        """Whether another minute has begun since the start, or since this was last so."""
        is_over = self._wall() // MINUTE_S != self._minute or self._passing() - self._began >= MINUTE_S
        if is_over:
            self._begin()
        return is_over
