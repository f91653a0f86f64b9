"""Roll-ups: sums per minute and summaries per hour of a file of flows, so that a question about a month need not read it.

They hold nothing of a site profile and judge nothing: what counts on which link is decided when they are asked, as for
flows. They are derived: a store without them gives the same answers, later.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from msgspec import Struct

__all__ = [
    "asking",
    "looking",
    "minute_sums",
    "overview",
    "shape",
    "stored",
]

if TYPE_CHECKING:
    from flowdiag.rollup.making import RollingSummary


class RollUps(Struct, frozen=True):
    """Makes roll-ups, as collector/store/rolling.py asks for. What that takes is loaded when it begins."""

    def begin(self, exporter: bytes) -> RollingSummary:
        """For the flows of one exporter (16 octets) that ended on one UTC day."""
        from flowdiag.rollup.making import RollingSummary

        return RollingSummary(exporter)

    def is_sound(self, octets: bytes) -> bool:
        """Whether octets are a whole roll-up of this version."""
        from flowdiag.rollup.form import Damaged, from_octets

        try:
            from_octets(octets)
        except Damaged:
            return False
        return True


ROLLER: Final = RollUps()
