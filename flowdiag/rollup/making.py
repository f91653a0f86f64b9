"""Makes the roll-up of a file of flows: records go by once, and what is kept of them is sums and summaries.

Facts the design follows:
- which end of a record is the service is told by the records around it: so some hundred thousand wait, are learned from,
  and then are summed up together;
- what is kept of them grows with minutes, hours and kinds of record, not with records;
- sums are exact in a double up to 2^53: a file with more octets has no roll-up.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from flowdiag.aggregator.applications import TCP, catalogue
from flowdiag.aggregator.records import LeftOut, Records
from flowdiag.aggregator.services import ACK, SYN, Points, Services
from flowdiag.collector.readers.stored_flows import report_metadata
from flowdiag.collector.report import ExportReport
from flowdiag.durations import DAY_MS, HOUR_MS
from flowdiag.rollup.form import to_octets
from flowdiag.rollup.kinds import MAX_KINDS, OF_FOLDED, OF_MINUTE, OF_POINT, OF_SERVICE, Kinds, coarser
from flowdiag.rollup.minutes import Timed, spread_minutes
from flowdiag.rollup.pieces import Piece, in_order, piece_of, short
from flowdiag.rollup.shape import LONG, Facts, RollUp
from flowdiag.rollup.signs import Durations, Signs
from flowdiag.rollup.summaries import Coarser, summarised
from flowdiag.rollup.tables import Tables

# Fewer records are as quick to read as a roll-up of them.
LEAST_ROWS: Final = 1_000
# Records that are worked on at a time, so that they stay in the processor's cache; and that wait for one another: 40 MB.
PIECE_ROWS: Final = 1 << 17
WAITING_ROWS: Final = 1 << 18
# Days before and behind that of a file's first records in which its records may lie.
DAYS_AROUND: Final = 2
# Sums beyond are not exact in a double.
MOST_OCTETS: Final = 1 << 53


class RollingSummary:
    """The roll-up of one file in the making. exporter: 16 octets, of all flows."""

    def __init__(self, exporter: bytes) -> None:
        self._exporter = exporter
        self._left_out = LeftOut()
        self._services = Services(catalogue())
        self._kinds = Kinds()
        self._signs, self._durations = Signs(), Durations()
        self._tables = Tables()
        self._pieces: list[tuple[Piece, Records, Points]] = []
        self._waiting = 0
        self._rows = 0
        self._counted = _Counted()
        self._around: tuple[int, int] | None = None

    def add(self, flows: pa.Table) -> None:
        """Takes flows of FLOW_SCHEMA, in the order of their file."""
        self._rows += flows.num_rows
        # Where messages begin (flows.MESSAGES_KEY) is told of batches as they came, and stands in no file.
        flows = flows.replace_schema_metadata(None).unify_dictionaries().combine_chunks()
        pieces = max(round(flows.num_rows / PIECE_ROWS), 1)  # a row group has some more rows than one
        for batch in flows.to_batches(max_chunksize=-(-flows.num_rows // pieces) or 1):
            piece = piece_of(batch, self._kinds, self._left_out)
            if len(piece):
                self._take(self._believed(piece))

    def finish(self, report: ExportReport | None, *, even_small: bool = False) -> bytes | None:
        """The octets of the roll-up; None for few flows unless even_small, and where sums or kinds of record are beyond what is
        kept."""
        if self._rows < LEAST_ROWS and not even_small:
            return None
        rollup = self.rollup(report)
        return None if rollup is None else to_octets(rollup)

    def rollup(self, report: ExportReport | None) -> RollUp | None:
        """The same as an object, of any number of flows. It is done with after that."""
        self._flush()
        self._signs.look()
        counted = self._counted
        if self._beyond():
            return None
        kinds = self._kinds.table()
        durations, packets = self._durations.sample()
        facts = Facts(
            rows=self._rows,
            first_ms=counted.first_ms,
            last_ms=counted.last_ms,
            longest_ms=counted.longest_ms,
            packets=counted.packets,
            packets_seen=counted.packets_seen(kinds),
            untimed=self._left_out.without_times,
            not_ip=self._left_out.not_ip,
            needs_flows=self._signs.needs_flows(report),
            durations_ms=durations,
            duration_packets=packets,
            cut_ms=self._signs.cut_ms(),
        )
        tables = self._tables.finished(kinds, self._kinds.names)
        return RollUp(self._exporter, facts, {} if report is None else report_metadata(report), tables)

    def _take(self, piece: Piece) -> None:
        if not len(piece) or self._beyond():
            return
        records = _as_records(piece)
        points = self._services.by_ports(records)
        self._services.learn(records, points)
        kinds = self._kinds.table()
        self._signs.add(piece, kinds)
        self._durations.add(piece, kinds)
        self._pieces.append((piece, records, points))
        self._waiting += len(piece)
        if self._waiting >= WAITING_ROWS:
            self._flush()

    def _believed(self, piece: Piece) -> Piece:
        """Those of times that can be; the others are in no table, and their file has to be read."""
        start, end = piece.start_ms, piece.end_ms
        self._counted.add(piece)
        if self._around is None:
            day = int(np.median(end)) // DAY_MS
            self._around = (day - DAYS_AROUND) * DAY_MS, (day + 1 + DAYS_AROUND) * DAY_MS
        first, last = self._around
        if int(start.min()) >= first and int(end.max()) < last and int((end - start).max()) <= DAY_MS:
            return piece
        self._signs.reasons.add(LONG)
        return piece.at(np.flatnonzero((start >= first) & (end < last) & (end - start <= DAY_MS)))

    def _beyond(self) -> bool:
        """Whether there is more than a roll-up holds."""
        return self._kinds.overflowed or self._counted.most() >= MOST_OCTETS

    def _flush(self) -> None:
        """Sums up what waits."""
        if not self._pieces or self._beyond():
            self._pieces, self._waiting = [], 0
            return
        self._services.settle()
        kinds = self._kinds.table()
        point_of, points = coarser(kinds, OF_POINT)
        coarse = Coarser(
            point=point_of,
            service=coarser(kinds, OF_SERVICE)[0],
            folded=coarser(kinds, OF_FOLDED)[0],
            points=len(points["scope"]),
        )
        series_of, series = coarser(kinds, OF_MINUTE)
        count = len(series["dscp"])
        timed = []
        for piece, records, points_of in self._pieces:
            number = series_of.take(piece.kind)
            timed.append(Timed(piece.start_ms, piece.end_ms, piece.octets, piece.packets, number))
            for hour, part, side in _by_hour(piece, self._services.find(records, points_of).side):
                self._tables.add_part(summarised(hour, part, side, coarse))
                self._tables.add_hour(hour, part.src, part.dst, _bare_syns(part))
        self._tables.add_minutes(timed, spread_minutes(timed, count), count)
        self._tables.settle()
        self._pieces, self._waiting = [], 0
        self._services = Services(catalogue())


class _Counted:
    """What is counted of all records with times."""

    def __init__(self) -> None:
        self.first_ms: int | None = None
        self.last_ms: int | None = None
        self.longest_ms = 0
        self.octets = 0.0
        self._packets = np.zeros(MAX_KINDS)

    @property
    def packets(self) -> float:
        return float(self._packets.sum())

    def add(self, piece: Piece) -> None:
        first, last = int(piece.start_ms.min()), int(piece.end_ms.max())
        self.first_ms = first if self.first_ms is None else min(first, self.first_ms)
        self.last_ms = last if self.last_ms is None else max(last, self.last_ms)
        self.longest_ms = max(self.longest_ms, int((piece.end_ms - piece.start_ms).max()))
        self.octets += float(piece.octets.sum())
        self._packets += np.bincount(piece.kind, piece.packets, MAX_KINDS)

    def packets_seen(self, kinds: dict[str, NDArray[np.int64]]) -> float:
        sampling = np.maximum(kinds["sampling"], 1)
        return float((self._packets[: len(sampling)] / sampling).sum())

    def most(self) -> float:
        """More than any sum of the tables."""
        return self.octets + 100 * self.packets


def _as_records(piece: Piece) -> Records:
    """Records with what services are told by: ports, protocol, flags, and numbers for addresses."""
    nothing = np.zeros(0, np.int32)
    return Records(
        start_ms=piece.start_ms,
        end_ms=piece.end_ms,
        octets=piece.octets,
        packets=piece.packets,
        src=short(piece.src),
        dst=short(piece.dst),
        src_port=piece.src_port,
        dst_port=piece.dst_port,
        protocol=piece.protocol,
        tcp_flags=piece.tcp_flags,
        dscp=nothing.astype(np.int8),
        metered=nothing.astype(np.int8),
        application=nothing,
        end_reason=piece.end_reason,
        sampling=nothing.astype(np.float32),
        ingress=nothing,
        egress=nothing,
        source=nothing.astype(np.int16),
        link_in=nothing.astype(np.int8),
        link_out=nothing.astype(np.int8),
        message=nothing.astype(np.uint16),
    )


def _bare_syns(piece: Piece) -> int:
    flags = piece.tcp_flags
    bare = ((flags & (SYN | ACK)) == SYN) & (piece.protocol == TCP) & (flags >= 0)
    return int(np.count_nonzero(bare))


def _by_hour(piece: Piece, side: NDArray[np.int8]) -> Iterator[tuple[int, Piece, NDArray[np.int8]]]:
    """The records of each hour, in order, with where their services are."""
    hours = piece.end_ms // HOUR_MS
    if (hours[1:] < hours[:-1]).any():
        # Mostly two hours overlap by some seconds: only these are put in order.
        begin = int(np.argmax(hours > hours.min()))
        end = len(hours) - int(np.argmax(hours[::-1] < hours.max()))
        order = np.argsort((hours[begin:end] - hours.min()).astype(np.int16), kind="stable")
        piece = piece.in_order(begin, order)
        hours, side = in_order(hours, begin, order), in_order(side, begin, order)
    begins = np.flatnonzero(np.diff(hours, prepend=hours[0] - 1))
    for begin, end in zip(begins.tolist(), [*begins[1:].tolist(), len(hours)], strict=True):
        rows = slice(begin, end)
        yield int(hours[begin]), piece.at(rows), side[rows]
