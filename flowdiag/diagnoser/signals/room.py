"""How much room each link had in the time asked about: its highest window against its plan."""

from __future__ import annotations

from typing import Final

from msgspec import Struct

from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.signals.full_times import figures
from flowdiag.diagnoser.signals.losses import lost_between

# A backup counts when it carried more than so much of its rate.
BACKUP_IN_USE: Final = 0.05


class Room(Struct, frozen=True):
    """The highest window of a link's fullest direction. share: of the plan; upper: with what was lost; peak_ms: its
    beginning; peak_window_s: its length.
    """

    link: int
    direction: int
    share: float
    upper: float
    peak_mbps: float
    capacity_mbps: float
    peak_ms: int
    peak_window_s: float


def room(case: Case) -> list[Room]:
    """One row per link that carried something in the window, the fullest first; none where nothing was
    carried. The figures are those of the note's table.
    """
    lost = lost_between(case, *case.window_ms)
    found = []
    for index, (link, row) in enumerate(zip(case.profile.link, figures(case), strict=True)):
        both = [
            Room(
                index,
                direction,
                share=way.peak_mbps / way.capacity_mbps,
                upper=way.peak_mbps / way.capacity_mbps / (1.0 - lost),
                peak_mbps=way.peak_mbps,
                capacity_mbps=way.capacity_mbps,
                peak_ms=way.peak_ms,
                peak_window_s=way.peak_window_s,
            )
            for direction, way in enumerate((row.down, row.up))
            if way.peak_mbps > 0.0
        ]
        best = max(both, key=lambda one: (one.share, -one.direction), default=None)
        if best is not None and (link.role == "primary" or best.share >= BACKUP_IN_USE):
            found.append(best)
    return sorted(found, key=lambda one: (-one.share, one.link))
