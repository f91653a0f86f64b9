"""Exporter clocks that disagree with the capture's: times are moved to the capture's clock and a note says so."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from flowdiag.collector.report import ExportReport

# Less is the delay of export and network, or ordinary drift (common practice: a few seconds).
TOLERATED_MS: Final = 5_000


class Clocks:
    """How far each exporter and observation domain is to be moved, in ms; none within the tolerance."""

    def __init__(self, report: ExportReport) -> None:
        by_source: dict[tuple[bytes, int], tuple[int, int]] = {}
        for session in report.sessions:
            offset = session.clock_offset_ms or 0
            known = by_source.get((session.exporter, session.domain))
            if known is None or session.messages > known[0]:  # the session with most messages
                by_source[session.exporter, session.domain] = session.messages, offset
        self._offsets = {
            source: offset for source, (_, offset) in by_source.items() if abs(offset) > TOLERATED_MS
        }
        most: dict[bytes, tuple[int, int]] = {}
        for (exporter, domain), (messages, _) in sorted(by_source.items()):
            if exporter not in most or messages > most[exporter][0]:
                most[exporter] = messages, self._offsets.get((exporter, domain), 0)
        self._of_exporter = {exporter: offset for exporter, (_, offset) in most.items()}

    def offset_ms(self, exporter: bytes, domain: int | None = None) -> int:
        """What to add to a time of an exporter; without a domain that of its busiest one."""
        if domain is None:
            return self._of_exporter.get(exporter, 0)
        return self._offsets.get((exporter, domain), 0)

    def offsets_ms(self, sources: Sequence[tuple[bytes, int]]) -> NDArray[np.int64]:
        """What to add to the times of each source; shape [sources]."""
        return np.array([self.offset_ms(exporter, domain) for exporter, domain in sources], np.int64)

    def moved(self) -> list[tuple[bytes, int]]:
        """(exporter, ms that its clock is behind) of each exporter whose clock is off."""
        found = {(exporter, offset): None for (exporter, _), offset in sorted(self._offsets.items())}
        return list(found)
