"""Ages and days, whatever happens to the system's clock while the collector runs.

Facts the design follows:
- an age is counted by a clock that nobody sets; one that also counts while the machine sleeps (Linux clock_gettime(2),
  CLOCK_BOOTTIME);
- what was there before the start has no other age than that of its file's time, none if that is in the future;
- a clock that is set back makes no day old. One that is set forward makes all of them old: whether it was wrong before
  or is wrong now, nobody can tell but who looks after the machine, and what was dropped does not come back.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Final, NamedTuple

from flowdiag.collector.live.spool import Piece

Clock = Callable[[], float]

DAY_S: Final = 86_400.0
# Less than this may be a wrong time zone, and changes at most which day is the oldest.
SET_FORWARD_S: Final = DAY_S / 2


def steady() -> float:
    """Seconds that pass, from any beginning."""
    return time.clock_gettime(time.CLOCK_BOOTTIME)


class Today:
    """The day by the system's clock, and how far that was set since this was made."""

    def __init__(self, wall: Clock = time.time, passing: Clock = steady) -> None:
        self._wall = wall
        self._passing = passing
        self._between = wall() - passing()

    @property
    def day(self) -> int:
        """Days since 1970 UTC."""
        return int(self._wall() // DAY_S)

    @property
    def doubt(self) -> str:
        """Why old days should not go by this clock; empty if they may."""
        forward_s = self._wall() - self._passing() - self._between
        if forward_s <= SET_FORWARD_S:
            return ""
        return (
            f"the system's clock was set {forward_s / DAY_S:,.1f} days forward while the collector ran, so no old days "
            "are dropped; set it right, or restart the collector if it is right now"
        )


class Waiting(NamedTuple):
    """Segments that wait: how many, how large, and for how long the first of them."""

    segments: int
    octets: int
    seconds: float


class Waits:
    """For how long segments have been waiting since they were first seen."""

    def __init__(self, wall: Clock = time.time, passing: Clock = steady) -> None:
        self._wall = wall
        self._passing = passing
        self._since: dict[tuple[Path, int], float] | None = None

    def look(self, waiting: Iterable[Piece]) -> Waiting:
        """waiting: all segments that wait now; one that is gone by now is passed over."""
        now, octets = self._passing(), 0
        known = self._since or {}
        since: dict[tuple[Path, int], float] = {}
        for segment in waiting:
            try:
                status = segment.path.stat()
            except FileNotFoundError:
                continue
            octets += (status.st_size if segment.end is None else segment.end) - segment.begin
            before_s = max(0.0, self._wall() - status.st_mtime) if self._since is None else 0.0
            one = segment.path.parent, segment.number
            since[one] = known.get(one, now - before_s)
        self._since = since
        return Waiting(len(since), octets, now - min(since.values(), default=now))
