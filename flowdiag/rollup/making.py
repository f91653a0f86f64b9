"""Makes the roll-up of a file of flows: records go by once, and what is kept of them is sums and summaries.

Facts the design follows:
- which end of a record is the service is told by the records around it: so some hundred thousand wait, are learned from,
  and then are summed up together;
- what is kept of them grows with minutes, hours and kinds of record, not with records; addresses are numbered anew when
  there are many;
- sums are exact in a double up to 2^53: a file with more octets has no roll-up.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, Final

import numpy as np
import pyarrow as pa
from msgspec import Struct
from numpy.typing import NDArray

from flowdiag.address_ranges import AddressRanges
from flowdiag.addresses import PRIVATE_NETWORKS
from flowdiag.aggregator.applications import TCP, catalogue
from flowdiag.aggregator.records import Interner, LeftOut, Records, to_records
from flowdiag.aggregator.services import ACK, SYN, Services
from flowdiag.collector.readers.stored_flows import report_metadata
from flowdiag.collector.report import ExportReport
from flowdiag.durations import DAY_MS, HOUR_MS
from flowdiag.rollup.form import to_octets
from flowdiag.rollup.kinds import OF_FOLDED, OF_MINUTE, OF_POINT, OF_SERVICE, Kinds, coarser
from flowdiag.rollup.minutes import Timed, spread_minutes
from flowdiag.rollup.shape import LONG, Facts, RollUp
from flowdiag.rollup.signs import Durations, Signs
from flowdiag.rollup.summaries import HourPart, summarised
from flowdiag.rollup.tables import Tables

# Fewer records are as quick to read as a roll-up of them.
LEAST_ROWS: Final = 1_000
# Records that are worked on at a time, so that they stay in the processor's cache; and that wait for one another: 40 MB.
PIECE_ROWS: Final = 1 << 17
WAITING_ROWS: Final = 1 << 19
# Beyond so many addresses they are numbered anew, far below aggregator/address_numbers.py's bound.
MANY_ADDRESSES: Final = 300_000
# Days before and behind that of a file's first records in which its records may lie.
DAYS_AROUND: Final = 2
# Sums beyond are not exact in a double.
MOST_OCTETS: Final = 1 << 53


class _Piece(Struct, frozen=True, eq=False):
    records: Records
    kind: NDArray[np.int32]


class RollingSummary:
    """The roll-up of one file in the making. exporter: 16 octets, of all flows."""

    def __init__(self, exporter: bytes) -> None:
        self._exporter = exporter
        self._interner = Interner(AddressRanges(PRIVATE_NETWORKS))
        self._left_out = LeftOut()
        self._services = Services(catalogue())
        self._kinds = Kinds()
        self._signs, self._durations = Signs(), Durations()
        self._tables = Tables()
        self._pieces: list[_Piece] = []
        self._waiting = 0
        self._rows = 0
        self._counted = _Counted()
        self._around: tuple[int, int] | None = None

    def add(self, flows: pa.Table) -> None:
        """Takes flows of FLOW_SCHEMA, in the order of their file."""
        self._rows += flows.num_rows
        # Where messages begin (flows.MESSAGES_KEY) is told of batches as they came, and stands in no file.
        flows = flows.replace_schema_metadata(None).unify_dictionaries().combine_chunks()
        for batch in flows.to_batches(max_chunksize=PIECE_ROWS):
            records = to_records(batch, self._interner, _no_links, self._left_out)
            if len(records):
                self._take(self._believed(records))

    def finish(self, report: ExportReport | None) -> bytes | None:
        """The octets of the roll-up; None for few flows, and where sums or kinds of record are beyond what is kept."""
        if self._rows < LEAST_ROWS:
            return None
        rollup = self.rollup(report)
        return None if rollup is None else to_octets(rollup)

    def rollup(self, report: ExportReport | None) -> RollUp | None:
        """The same as an object, of any number of flows. It is done with after that."""
        self._flush()
        self._signs.look()
        if self._kinds.overflowed or self._counted.most() >= MOST_OCTETS:
            return None
        durations, packets = self._durations.sample()
        counted = self._counted
        facts = Facts(
            rows=self._rows,
            first_ms=counted.first_ms,
            last_ms=counted.last_ms,
            longest_ms=counted.longest_ms,
            packets=counted.packets,
            packets_seen=counted.packets_seen,
            untimed=self._left_out.without_times,
            not_ip=self._left_out.not_ip,
            needs_flows=self._signs.needs_flows(report),
            durations_ms=durations,
            duration_packets=packets,
            cut_ms=self._signs.cut_ms(),
        )
        tables = self._tables.finished(self._kinds.table(self._domains()), self._interner.names)
        return RollUp(self._exporter, facts, {} if report is None else report_metadata(report), tables)

    def _take(self, records: Records) -> None:
        if not len(records):
            return
        self._services.learn(records)
        self._signs.add(records)
        self._durations.add(records)
        private = self._interner.inside_by_number
        scope = private.take(records.src).view(np.int8) + 2 * private.take(records.dst).view(np.int8)
        self._pieces.append(_Piece(records, self._kinds.of(records, scope)))
        self._waiting += len(records)
        many = len(self._interner.addresses) > 2 * MANY_ADDRESSES
        if self._waiting >= WAITING_ROWS or many:
            self._flush()

    def _believed(self, records: Records) -> Records:
        """Those of times that can be; the others are in no table, and their file has to be read."""
        start, end = records.start_ms, records.end_ms
        self._counted.add(records)
        if self._around is None:
            day = int(np.median(end)) // DAY_MS
            self._around = (day - DAYS_AROUND) * DAY_MS, (day + 1 + DAYS_AROUND) * DAY_MS
        first, last = self._around
        if int(start.min()) >= first and int(end.max()) < last and int((end - start).max()) <= DAY_MS:
            return records
        self._signs.reasons.add(LONG)
        return records.at(np.flatnonzero((start >= first) & (end < last) & (end - start <= DAY_MS)))

    def _flush(self) -> None:
        """Sums up what waits."""
        if not self._pieces:
            return
        self._services.settle()
        table = self._kinds.table(self._domains())
        private = self._interner.inside_by_number
        point_of, points = coarser(table, OF_POINT)
        service_of, _ = coarser(table, OF_SERVICE)
        folded_of, _ = coarser(table, OF_FOLDED)
        series_of, series = coarser(table, OF_MINUTE)
        timed = []
        for piece in self._pieces:
            records, kind = piece.records, piece.kind
            timed.append(
                Timed(records.start_ms, records.end_ms, records.octets, records.packets, series_of.take(kind))
            )
            side = self._services.find(records).side
            for part in _by_hour(records, kind, side, point_of, service_of):
                self._tables.add_part(part.hour, summarised(part, len(points["scope"]), folded_of, private))
                self._tables.add_hour(part.hour, part.src, part.dst, _bare_syns(part))
        self._tables.add_minutes(timed, spread_minutes(timed, len(series["dscp"])), len(series["dscp"]))
        self._tables.settle(self._interner.addresses.all(), private)
        self._pieces, self._waiting = [], 0
        self._services = Services(catalogue())
        if len(self._interner.addresses) > MANY_ADDRESSES:
            self._signs.look()
            self._interner.forget_addresses()

    def _domains(self) -> NDArray[np.int64]:
        return np.array([domain for _, domain in self._interner.sources], np.int64)


class _Counted:
    """What is counted of all records with times."""

    def __init__(self) -> None:
        self.first_ms: int | None = None
        self.last_ms: int | None = None
        self.longest_ms = 0
        self.octets = self.packets = self.packets_seen = 0.0

    def add(self, records: Records) -> None:
        first, last = int(records.start_ms.min()), int(records.end_ms.max())
        self.first_ms = first if self.first_ms is None else min(first, self.first_ms)
        self.last_ms = last if self.last_ms is None else max(last, self.last_ms)
        self.longest_ms = max(self.longest_ms, int((records.end_ms - records.start_ms).max()))
        packets = float(records.packets.sum())
        self.octets += float(records.octets.sum())
        self.packets += packets
        sampling = records.sampling
        if (sampling == sampling[0]).all():
            self.packets_seen += packets / max(float(sampling[0]), 1.0)
        else:
            self.packets_seen += float((records.packets / np.maximum(sampling, 1)).sum())

    def most(self) -> float:
        """More than any sum of the tables."""
        return self.octets + 100 * self.packets


def _no_links(interfaces: NDArray[np.int64]) -> NDArray[np.int8]:
    return np.zeros(len(interfaces), np.int8)


def _bare_syns(part: HourPart) -> int:
    flags = part.tcp_flags
    return int(np.count_nonzero(((flags & (SYN | ACK)) == SYN) & (part.protocol == TCP) & (flags >= 0)))


def _by_hour(
    records: Records,
    kind: NDArray[np.int32],
    side: NDArray[np.int8],
    point_of: NDArray[np.int32],
    service_of: NDArray[np.int32],
) -> Iterator[HourPart]:
    """The records of each hour, in order."""
    hours = records.end_ms // HOUR_MS
    columns: dict[str, Any] = {
        "start_ms": records.start_ms,
        "end_ms": records.end_ms,
        "octets": records.octets,
        "packets": records.packets,
        "src": records.src,
        "dst": records.dst,
        "src_port": records.src_port,
        "dst_port": records.dst_port,
        "protocol": records.protocol,
        "tcp_flags": records.tcp_flags,
        "side": side,
        "kind": kind,
        "point": point_of.take(kind),
        "service": service_of.take(kind),
    }
    if (np.diff(hours) < 0).any():
        order = np.argsort((hours - hours.min()).astype(np.int16), kind="stable")
        hours = hours[order]
        columns = {name: column[order] for name, column in columns.items()}
    begins = np.flatnonzero(np.diff(hours, prepend=hours[0] - 1))
    for begin, end in zip(begins, [*begins[1:], len(hours)], strict=True):
        rows = slice(begin, end)
        yield HourPart(hour=int(hours[begin]), **{name: column[rows] for name, column in columns.items()})
