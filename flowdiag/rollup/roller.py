"""Who makes roll-ups, for those who hand it to a store: nothing heavy is loaded by naming it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from msgspec import Struct

from flowdiag.collector.store.rolling import Roller

if TYPE_CHECKING:
    from flowdiag.rollup.making import RollingSummary


class RollUps(Struct, frozen=True):
    """Makes roll-ups, as collector/store/rolling.py asks for. What that takes is loaded when it begins."""

    def begin(self, exporter: bytes) -> RollingSummary:
        """For the flows of one exporter (16 octets) that ended on one UTC day."""
        from flowdiag.rollup.making import RollingSummary

        return RollingSummary(exporter)

    def is_sound(self, octets: bytes) -> bool:
        """Whether octets are a whole roll-up."""
        from flowdiag.rollup.form import Damaged, from_octets

        try:
            from_octets(octets)
        except Damaged:
            return False
        return True


_ROLLER: Final = RollUps()


def roller() -> Roller:
    """The maker of roll-ups."""
    return _ROLLER
