"""Signs that the sums of a file cannot stand for its flows, and what a file's records tell of the active timeout.

Facts the design follows:
- repetitions and starts that are their conversation's are looked for as for a case (aggregator/duplicates.py and
  shared_starts.py), in all records of a small file and in a part of the conversations of a large one;
- which link a record counts on is not known here: records that were metered at different points on purpose are told apart
  by what they say of it (element 61);
- either is a way that a router works, so many records show it; two records of a busy site that look so by chance change
  no sum that counts.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from flowdiag.aggregator.duplicates import conversation_keys, repetitions
from flowdiag.aggregator.records import NO_MESSAGE
from flowdiag.aggregator.resolution import cut_durations
from flowdiag.aggregator.shared_starts import with_own_starts
from flowdiag.aggregator.site_flows import SiteFlows
from flowdiag.collector.clocks import Clocks
from flowdiag.collector.report import ExportReport
from flowdiag.rollup.pieces import Piece, short
from flowdiag.rollup.shape import CLOCK, REASONS, REPEATED, STARTS

# Records of the conversations looked at, at most: of more conversations there are, the fewer of them.
MOST_HELD: Final = 1 << 15
# What is found in fewer of the records looked at is chance.
LEAST_PART: Final = 1e-3
# An exporter that repeats a conversation's start does so in every piece of it; of few hosts that talk without a pause, records of
# different ports begin together by chance more often than that.
LEAST_STARTS: Final = 0.02
# Durations that a roll-up keeps: one of so many records, within bounds.
RECORDS_A_DURATION: Final = 64
LEAST_DURATIONS, MOST_DURATIONS = 64, 2_000

_ODD: Final = np.uint32(
    0x9E3779B1
)  # 2^32 over the golden ratio, odd (from memory): even parts of any run of places

Columns = dict[str, NDArray[np.int64]]


class Signs:
    """Takes all records of a file. reasons: of shape.REASONS, as far as they are known."""

    def __init__(self) -> None:
        self.reasons: set[str] = set()
        self._rows = 0
        self._one_in = 1
        self._parts: list[SiteFlows] = []
        self._places: list[NDArray[np.intp]] = []
        self._held = 0
        self._cut: tuple[int, ...] = ()

    def add(self, piece: Piece, kinds: Columns) -> None:
        """kinds: the table of the kinds so far."""
        with np.errstate(over="ignore"):
            marks = ((piece.src ^ piece.dst) >> np.uint64(32)).astype(np.uint32)
            marks += (piece.src_port + piece.dst_port).view(np.uint32) * _ODD
        while self._held + len(piece) // self._one_in > MOST_HELD:
            self._one_in *= 2
            self._thin()
        rows = np.flatnonzero(marks & np.uint32(self._one_in - 1) == 0)
        self._parts.append(_view(piece.at(rows), marks[rows], kinds))
        self._places.append(self._rows + rows)
        self._held += len(rows)
        self._rows += len(piece)

    def look(self) -> None:
        """Looks at what is held; once all records are known."""
        if not self._held:
            return
        places = np.concatenate(self._places)
        flows = _joined(self._parts)
        rows = np.arange(len(flows))
        if self._tells(flows, repetitions(flows, rows, places)):
            self.reasons.add(REPEATED)
        moved = with_own_starts(flows)[0].start_ms != flows.start_ms
        if self._tells(flows, np.flatnonzero(moved), LEAST_STARTS):
            self.reasons.add(STARTS)
        found = cut_durations(conversation_keys(flows, rows), flows.start_ms, flows.end_ms)
        self._cut = tuple(found[evenly(len(found), durations_of(self._rows))].tolist())

    def needs_flows(self, report: ExportReport | None) -> tuple[str, ...]:
        if report is not None and Clocks(report).moved():
            self.reasons.add(CLOCK)
        return tuple(reason for reason in REASONS if reason in self.reasons)

    def cut_ms(self) -> tuple[int, ...]:
        """Durations of records that the next one of their conversation followed at once."""
        return self._cut

    @staticmethod
    def _tells(flows: SiteFlows, rows: NDArray[np.intp], part: float = LEAST_PART) -> bool:
        """Whether some rows are too many, or of too many octets, for chance."""
        if not len(rows):
            return False
        some = len(rows) >= part * len(flows)
        return some or bool(flows.octets[rows].sum() >= part * flows.octets.sum())

    def _thin(self) -> None:
        parts, places = self._parts, self._places
        self._parts, self._places = [], []
        for part, where in zip(parts, places, strict=True):
            # The marks stand where no roll-up has anything.
            rows = np.flatnonzero(part.wire_octets.astype(np.int64) & (self._one_in - 1) == 0)
            self._parts.append(part.at(rows))
            self._places.append(where[rows])
        self._held = sum(map(len, self._parts))


class Durations:
    """A fair sample of records' durations and packets as seen, in their order."""

    def __init__(self) -> None:
        self._rows = 0
        self._below = 1 << 32
        self._marks = np.zeros(0, np.uint32)
        self._durations = np.zeros(0, np.int64)
        self._packets = np.zeros(0, np.int64)

    def add(self, piece: Piece, kinds: Columns) -> None:
        """kinds: the table of the kinds so far."""
        with np.errstate(over="ignore"):
            marks = (np.arange(self._rows, self._rows + len(piece)).astype(np.uint32)) * _ODD
        self._rows += len(piece)
        rows = np.flatnonzero(marks < self._below)
        sampling = kinds["sampling"].take(piece.kind[rows])
        seen = np.rint(piece.packets[rows] / np.maximum(sampling, 1)).astype(np.int64)
        self._marks = np.concatenate([self._marks, marks[rows]])
        self._durations = np.concatenate([self._durations, piece.end_ms[rows] - piece.start_ms[rows]])
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


def _view(piece: Piece, marks: NDArray[np.uint32], kinds: Columns) -> SiteFlows:
    """The records as flows on one link, whose direction is where they were metered and whose inside is their source."""
    one = np.zeros(len(piece), np.int8)

    def of_kind(name: str, kind: type[np.generic]) -> NDArray[Any]:
        return kinds[name].astype(kind).take(piece.kind)

    return SiteFlows(
        start_ms=piece.start_ms,
        end_ms=piece.end_ms,
        octets=piece.octets,
        packets=piece.packets,
        wire_octets=marks.astype(np.float64),
        link=one,
        direction=of_kind("metered", np.int8),
        inside=short(piece.src),
        outside=short(piece.dst),
        inside_port=piece.src_port,
        outside_port=piece.dst_port,
        protocol=piece.protocol,
        tcp_flags=piece.tcp_flags,
        dscp=of_kind("dscp", np.int8),
        application=of_kind("application", np.int32),
        opened_inside=one,
        end_reason=piece.end_reason,
        sampling=of_kind("sampling", np.float32),
        ingress=of_kind("ingress", np.int32),
        egress=of_kind("egress", np.int32),
        addresses=(),
        applications=(),
        message=np.full(len(piece), NO_MESSAGE, np.uint16),
    )


def _joined(parts: list[SiteFlows]) -> SiteFlows:
    columns = {
        name: np.concatenate([getattr(part, name) for part in parts])
        for name in SiteFlows.__struct_fields__
        if isinstance(getattr(parts[0], name), np.ndarray)
    }
    return SiteFlows(**columns, addresses=(), applications=())
