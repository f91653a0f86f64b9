"""Signs that the sums of a file cannot stand for its flows, and what a file's records tell of the active timeout.

Facts the design follows:
- repetitions and starts that are their conversation's are looked for as for a case (aggregator/duplicates.py and
  shared_starts.py): in all records of a small file, in a part of the conversations of a large one, since they come all the
  time or not at all;
- which link a record counts on is not known here: records that were metered at different points on purpose are told apart
  by what they say of it (element 61);
- either is a way that a router works, so many records show it; two records of a busy site that look so by chance change
  no sum that counts.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from flowdiag.aggregator.duplicates import (
    ALWAYS_LOOKED_AT,
    conversation_keys,
    in_sample,
    repetitions,
)
from flowdiag.aggregator.records import NO_MESSAGE, Records
from flowdiag.aggregator.resolution import cut_durations
from flowdiag.aggregator.shared_starts import with_own_starts
from flowdiag.aggregator.site_flows import SiteFlows
from flowdiag.collector.clocks import Clocks
from flowdiag.collector.report import ExportReport
from flowdiag.rollup.shape import CLOCK, REASONS, REPEATED, STARTS

# Records of the conversations looked at that are held at a time: 15 MB.
MOST_HELD: Final = 1 << 18
# Durations that a roll-up keeps: one of so many records, within bounds.
RECORDS_A_DURATION: Final = 64
LEAST_DURATIONS, MOST_DURATIONS = 64, 2_000
# What is found in fewer of the records looked at is chance.
LEAST_PART: Final = 1e-3
# Records next to each other that are searched for those that follow one another.
SEARCHED: Final = 1 << 16

_ODD: Final = np.uint32(
    0x9E3779B1
)  # 2^32 over the golden ratio, odd (from memory): even parts of any run of places


class Signs:
    """Takes all records of a file. reasons: of shape.REASONS, as far as they are known."""

    def __init__(self) -> None:
        self.reasons: set[str] = set()
        self._rows = 0
        self._parts: list[SiteFlows] = []
        self._places: list[NDArray[np.intp]] = []
        self._held = 0
        self._thinned = False
        self._cut: list[NDArray[np.int64]] = []

    def add(self, records: Records) -> None:
        flows = _view(records)
        places = np.arange(self._rows, self._rows + len(flows))
        self._rows += len(flows)
        if self._rows > ALWAYS_LOOKED_AT and not self._thinned:
            self._thinned = True
            held = list(zip(self._parts, self._places, strict=True))
            self._parts, self._places, self._held = [], [], 0
            for part, where in held:
                self._take(part, where)
        self._take(flows, places)
        if self._held > MOST_HELD:
            self.look()

    def look(self) -> None:
        """Looks at what is held, and lets go of it: the numbers of addresses may change after that."""
        if not self._held:
            return
        places = np.concatenate(self._places)
        flows = _joined(self._parts)
        rows = np.arange(len(flows))
        if REPEATED not in self.reasons:
            twice = repetitions(flows, rows, places)
            if self._tells(flows, twice):
                self.reasons.add(REPEATED)
        if STARTS not in self.reasons:
            moved = with_own_starts(flows)[0].start_ms != flows.start_ms
            if self._tells(flows, np.flatnonzero(moved)):
                self.reasons.add(STARTS)
        first = max(len(rows) - SEARCHED, 0) // 2
        rows = rows[first : first + SEARCHED]
        self._cut.append(
            cut_durations(conversation_keys(flows, rows), flows.start_ms[rows], flows.end_ms[rows])
        )
        self._parts, self._places, self._held = [], [], 0

    def needs_flows(self, report: ExportReport | None) -> tuple[str, ...]:
        if report is not None and Clocks(report).moved():
            self.reasons.add(CLOCK)
        return tuple(reason for reason in REASONS if reason in self.reasons)

    def cut_ms(self) -> tuple[int, ...]:
        """Durations of records that the next one of their conversation followed at once."""
        found = np.concatenate([np.zeros(0, np.int64), *self._cut])
        return tuple(found[evenly(len(found), durations_of(self._rows))].tolist())

    @staticmethod
    def _tells(flows: SiteFlows, rows: NDArray[np.intp]) -> bool:
        """Whether some rows are too many, or of too many octets, for chance."""
        if not len(rows):
            return False
        some = len(rows) >= LEAST_PART * len(flows)
        return some or bool(flows.octets[rows].sum() >= LEAST_PART * flows.octets.sum())

    def _take(self, flows: SiteFlows, places: NDArray[np.intp]) -> None:
        if self._thinned:
            rows = np.flatnonzero(in_sample(flows))
            flows, places = flows.at(rows), places[rows]
        self._parts.append(flows)
        self._places.append(places)
        self._held += len(flows)


class Durations:
    """A fair sample of records' durations and packets as seen, in their order."""

    def __init__(self) -> None:
        self._rows = 0
        self._below = 1 << 32
        self._marks = np.zeros(0, np.uint32)
        self._durations = np.zeros(0, np.int64)
        self._packets = np.zeros(0, np.int64)

    def add(self, records: Records) -> None:
        with np.errstate(over="ignore"):
            marks = (np.arange(self._rows, self._rows + len(records)).astype(np.uint32)) * _ODD
        self._rows += len(records)
        rows = np.flatnonzero(marks < self._below)
        seen = np.rint(records.packets[rows] / np.maximum(records.sampling[rows], 1)).astype(np.int64)
        self._marks = np.concatenate([self._marks, marks[rows]])
        self._durations = np.concatenate([self._durations, records.end_ms[rows] - records.start_ms[rows]])
        self._packets = np.concatenate([self._packets, seen])
        while len(self._marks) > 2 * MOST_DURATIONS:
            self._thin(self._below // 2)

    def sample(self) -> tuple[tuple[int, ...], tuple[int, ...]]:
        """Durations in ms, and packets."""
        most = durations_of(self._rows)
        if len(self._marks) > most:
            self._thin(int(np.sort(self._marks)[most]))
        return tuple(self._durations.tolist()), tuple(self._packets.tolist())

    def _thin(self, below: int) -> None:
        self._below = below
        rows = np.flatnonzero(self._marks < below)
        self._marks, self._durations, self._packets = (
            self._marks[rows],
            self._durations[rows],
            self._packets[rows],
        )


def durations_of(rows: int) -> int:
    """How many durations are kept of so many records."""
    return min(max(rows // RECORDS_A_DURATION, LEAST_DURATIONS), MOST_DURATIONS)


def evenly(rows: int, most: int) -> NDArray[np.intp]:
    """Places of at most so many of some rows, spread evenly."""
    if rows <= most:
        return np.arange(rows)
    return (np.arange(most) * rows) // most


def _view(records: Records) -> SiteFlows:
    """The records as flows on one link, whose direction is where they were metered and whose inside is their source."""
    one = np.zeros(len(records), np.int8)
    return SiteFlows(
        start_ms=records.start_ms,
        end_ms=records.end_ms,
        octets=records.octets,
        packets=records.packets,
        wire_octets=records.octets,
        link=one,
        direction=records.metered,
        inside=records.src,
        outside=records.dst,
        inside_port=records.src_port,
        outside_port=records.dst_port,
        protocol=records.protocol,
        tcp_flags=records.tcp_flags,
        dscp=records.dscp,
        application=records.application,
        opened_inside=one,
        end_reason=records.end_reason,
        sampling=records.sampling,
        ingress=records.ingress,
        egress=records.egress,
        addresses=(),
        applications=(),
        message=np.full(len(records), NO_MESSAGE, np.uint16),
    )


def _joined(parts: list[SiteFlows]) -> SiteFlows:
    columns = {
        name: np.concatenate([getattr(part, name) for part in parts])
        for name in SiteFlows.__struct_fields__
        if isinstance(getattr(parts[0], name), np.ndarray)
    }
    return SiteFlows(**columns, addresses=(), applications=())
