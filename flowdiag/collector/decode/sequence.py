"""Loss from sequence numbers, by the reading of them that the stream itself supports.

Facts: IPFIX counts data records per session and domain (RFC 7011 3.1); NetFlow v9 counts messages per source id
(RFC 3954 5.1); v5 counts flow records, the header naming the first one (common practice). Exporters in the field
bend this: one counter for all domains of a session, v9 stepped by records, v5 naming the last record. A wrong
reading breaks at nearly every message, the right one only where something was lost.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

_MOD: Final = 2**32
_FAR: Final = 2**20  # a jump further than this is a restart, not a loss (a million records lost at once)
_PENDING: Final = 1024  # missing stretches remembered, so that late messages can fill them


@dataclass
class Reading:
    """One way to read the numbers. add() per message; lost counts units that never came."""

    expected: int | None = None
    breaks: int = 0
    lost: int = 0
    restarts: int = 0
    missing: list[tuple[int, int]] = field(default_factory=list)

    def add(self, first: int, units: int) -> int:
        """A message whose units start at `first`; returns how many units are newly missing before it."""
        expected = self.expected
        if expected is None or first == expected:
            self.expected = (first + units) % _MOD
            return 0
        self.breaks += 1
        gap = (first - expected) % _MOD
        if gap < _FAR:
            self.lost += gap
            self.missing = [*self.missing[1 - _PENDING :], (expected, gap)]
            self.expected = (first + units) % _MOD
            return gap
        if _MOD - gap < _FAR:
            if self._fill(first, units):
                return 0
            if _MOD - gap <= units:  # overlaps what was expected: the counter steps differently
                self.expected = (first + units) % _MOD
                return 0
        self.restarts += 1
        self.missing = []
        self.expected = (first + units) % _MOD
        return 0

    def _fill(self, first: int, units: int) -> bool:
        """A late message: takes its units out of the missing stretch they belong to."""
        for k, (start, length) in enumerate(self.missing):
            into = (first - start) % _MOD
            if into < length:
                used = min(units, length - into)
                self.lost -= used
                rest = [(start, into), ((first + used) % _MOD, length - into - used)]
                self.missing[k : k + 1] = [part for part in rest if part[1] > 0]
                return True
        return False
