"""Export messages in, record batches out. Sans-I/O: no files, sockets, clocks or sites.

Facts the design follows (RFC 7011 3, RFC 3954 5): a message is a header and sets; a data set is records of one
template end to end. So Python walks headers only. The payloads of all sets of one template wait together and become
columns in one step (normalise.py); rows then return to export order.
"""

from __future__ import annotations

import struct
from collections import OrderedDict, deque
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Final

import numpy as np
import pyarrow as pa

from flowdiag.collector.datagram import Datagram, Session
from flowdiag.collector.decode.limits import BATCH_ROWS, Limits
from flowdiag.collector.decode.options import read_options
from flowdiag.collector.decode.records import fixed_view, fixed_width
from flowdiag.collector.decode.sequence import Reading
from flowdiag.collector.decode.templates import FIRST_TEMPLATE, Malformed, Template, read_fields
from flowdiag.collector.normalise import V5_TEMPLATE, Chunk, Normaliser
from flowdiag.collector.report import ExportReport, LossEvent, SessionReport, TemplateReport

_IPFIX: Final = struct.Struct("!HHIII")
_V9: Final = struct.Struct("!HHIIII")
_V5: Final = struct.Struct("!HHIIIIBBH")
_SET: Final = struct.Struct("!HH")
_HEADS: Final = struct.Struct("!HHH")


@dataclass
class Domain:
    """One observation domain of one transport session: its templates, its counters, what waits for decoding."""

    session: Session
    report: SessionReport
    templates: dict[int, Template] = field(default_factory=dict)
    waiting: dict[int, list[Chunk]] = field(default_factory=dict)
    held: list[tuple[int, Chunk]] = field(default_factory=list)
    recent: OrderedDict[int, bytes] = field(default_factory=OrderedDict)
    own: Reading = field(default_factory=Reading)
    other: Reading = field(default_factory=Reading)
    uncounted: bool = False  # data sets of unknown width passed: a gap may be undecoded, not lost
    sampling: float = 1.0
    clock: deque[int] = field(default_factory=lambda: deque(maxlen=4096))
    losses: list[LossEvent] = field(default_factory=list)


class Decoder:
    """Feed export messages, take record batches of FLOW_SCHEMA; the report fills as messages come."""

    def __init__(
        self,
        report: ExportReport,
        *,
        limits: Limits = Limits(),  # noqa: B008 (frozen)
        scale: bool = True,
        batch_rows: int = BATCH_ROWS,
    ) -> None:
        self.report = report
        self._limits = limits
        self._rows = 0
        self._ordinal = 0
        self._batch_rows = batch_rows
        self._domains: dict[tuple[Session, int, int], Domain] = {}
        self._session_readings: dict[tuple[Session, int], Reading] = {}
        self._normaliser = Normaliser(report, limits, scale)
        self._ready: list[pa.RecordBatch] = []

    def feed(self, datagram: Datagram, file: str = "") -> None:
        """Takes one export message. Never raises: what is malformed is counted in report.problems."""
        data = datagram.payload
        version = data[:2]
        try:
            if version == b"\x00\x0a":
                self._ipfix(datagram)
            elif version == b"\x00\x09":
                self._netflow9(datagram)
            elif version == b"\x00\x05":
                self._netflow5(datagram)
            else:
                raise Malformed("not a message of IPFIX, NetFlow v9 or v5")
        except Malformed as error:
            self.report.problem(file, datagram.offset + error.at, f"malformed message left out: {error}")
        if self._rows >= self._batch_rows:
            self._flush()

    def batches(self) -> Iterator[pa.RecordBatch]:
        """The batches that are ready."""
        ready, self._ready = self._ready, []
        yield from ready

    def finish(self) -> Iterator[pa.RecordBatch]:
        """The rest; after it the report is complete."""
        self._flush()
        yield from self.batches()
        for domain in self._domains.values():
            self._close(domain)
        self.report.losses.sort(key=lambda e: (e.time_ms, e.exporter, e.domain))
        del self.report.losses[self._limits.losses :]

    # messages

    def _ipfix(self, datagram: Datagram) -> None:
        data = datagram.payload
        if len(data) < 16:
            raise Malformed("shorter than an IPFIX header (16 octets)")
        _, length, seconds, sequence, number = _IPFIX.unpack_from(data)
        if not 16 <= length <= len(data):
            raise Malformed(f"length {length} where {len(data)} octets are there")
        sets = self._sets(data, 16, length)
        domain = self._domain(datagram.session, 10, number)
        if self._copy(domain, sequence, data):
            return
        export_ms = seconds * 1000
        self._heard(domain, export_ms, datagram.time_ms)
        records = 0
        obey = datagram.session.transport != "udp"
        for set_id, at, end in sets:
            if set_id >= FIRST_TEMPLATE:
                records += self._data(domain, set_id, data[at:end], export_ms, 0)
            elif set_id == 2:
                self._templates(domain, data, at, end, options=False, ipfix=True, obey=obey)
            elif set_id == 3:
                self._templates(domain, data, at, end, options=True, ipfix=True, obey=obey)
        self._sequence(domain, 10, sequence, records, export_ms)

    def _netflow9(self, datagram: Datagram) -> None:
        data = datagram.payload
        if len(data) < 20:
            raise Malformed("shorter than a NetFlow v9 header (20 octets)")
        _, _, uptime, seconds, sequence, number = _V9.unpack_from(data)
        sets = self._sets(data, 20, len(data))
        domain = self._domain(datagram.session, 9, number)
        if self._copy(domain, sequence, data):
            return
        export_ms = seconds * 1000
        self._heard(domain, export_ms, datagram.time_ms)
        records = 0
        for set_id, at, end in sets:
            if set_id >= FIRST_TEMPLATE:
                records += self._data(domain, set_id, data[at:end], export_ms, uptime)
            elif set_id < 2:
                self._templates(domain, data, at, end, options=set_id == 1, ipfix=False, obey=False)
        self._sequence(domain, 9, sequence, records, export_ms)

    def _netflow5(self, datagram: Datagram) -> None:
        data = datagram.payload
        if len(data) < 24:
            raise Malformed("shorter than a NetFlow v5 header (24 octets)")
        _, count, uptime, seconds, nanos, sequence, engine, unit, sampling = _V5.unpack_from(data)
        if len(data) < 24 + 48 * count:
            raise Malformed(f"{count} records promised, {(len(data) - 24) // 48} there")
        domain = self._domain(datagram.session, 5, engine * 256 + unit)
        if self._copy(domain, sequence, data):
            return
        domain.sampling = float(max(sampling & 0x3FFF, 1))
        export_ms = seconds * 1000 + nanos // 1_000_000
        self._heard(domain, export_ms, datagram.time_ms)
        domain.templates[0] = V5_TEMPLATE
        self._data(domain, 0, data[24 : 24 + 48 * count], export_ms, uptime)
        self._sequence(domain, 5, sequence, count, export_ms)

    @staticmethod
    def _sets(data: bytes, at: int, end: int) -> list[tuple[int, int, int]]:
        """(id, start of the payload, end) of each set, checked before any of them acts. Raises Malformed."""
        sets = []
        while at + 4 <= end:
            set_id, length = _SET.unpack_from(data, at)
            if length < 4 or at + length > end:
                raise Malformed(f"set {set_id} has length {length} where {end - at} octets are left", at)
            sets.append((set_id, at + 4, at + length))
            at += length
        return sets

    # templates and data

    def _templates(
        self, domain: Domain, data: bytes, at: int, end: int, *, options: bool, ipfix: bool, obey: bool
    ) -> None:
        while at + 4 <= end:
            number, count = _SET.unpack_from(data, at)
            if number == 0 and count == 0:
                return  # padding
            scopes = 0
            if count == 0 and ipfix:  # a withdrawal has four octets only (RFC 7011 8.1)
                at += 4
                if obey:
                    self._withdraw(domain, number, options)
                continue
            if options:
                if at + 6 > end:
                    return
                number, count, scopes = _HEADS.unpack_from(data, at)
                at += 6
                if not ipfix:
                    if count % 4 or scopes % 4:
                        raise Malformed("option lengths that are no multiple of 4", at)
                    count, scopes = (count + scopes) // 4, count // 4
                elif not 0 < scopes <= count:
                    raise Malformed(f"options template {number} has {scopes} scopes of {count} fields", at)
            else:
                at += 4
            if number < FIRST_TEMPLATE:
                raise Malformed(f"template id {number} is below {FIRST_TEMPLATE}", at)
            fields, at = read_fields(data, at, end, count, ipfix=ipfix, scopes=scopes)
            self._learn(domain, Template(number, fields, scopes, options, variable_allowed=ipfix))

    def _learn(self, domain: Domain, template: Template) -> None:
        known = domain.templates.get(template.id)
        if known == template:
            return
        if template.width == 0:
            raise Malformed(f"template {template.id} describes records without octets")
        if known is None and len(domain.templates) >= self._limits.templates:
            raise Malformed("more templates than any exporter needs")
        if template.id in domain.waiting:
            self._flush()
        domain.templates[template.id] = template
        entry = domain.report.templates.setdefault(template.id, TemplateReport(template.id, ()))
        entry.redefined += known is not None
        entry.fields, entry.scope_fields = template.fields, template.scopes
        for chunk in [c for number, c in domain.held if number == template.id]:
            self._take(domain, template, chunk)
        domain.held = [(number, c) for number, c in domain.held if number != template.id]

    def _withdraw(self, domain: Domain, number: int, options: bool) -> None:
        self._flush()
        for known in list(domain.templates.values()):
            if known.id == number or (number < FIRST_TEMPLATE and known.options == options):
                del domain.templates[known.id]

    def _data(self, domain: Domain, number: int, payload: bytes, export_ms: int, uptime: int) -> int:
        self._ordinal += 1
        template = domain.templates.get(number)
        chunk = Chunk(payload, 0, export_ms, uptime, self._ordinal)
        if template is None:
            domain.uncounted = True
            limits = self._limits
            if (
                len(domain.held) < limits.held_sets
                and sum(len(c.payload) for _, c in domain.held) < limits.held_octets
            ):
                domain.held.append((number, chunk))
            else:
                domain.report.undecoded_sets += 1
            return 0
        return self._take(domain, template, chunk)

    def _take(self, domain: Domain, template: Template, chunk: Chunk) -> int:
        """Queues a set; returns its number of records. Raises Malformed."""
        payload = chunk.payload
        if template.variable:
            payload, count = fixed_view(template, payload)
        else:
            count = len(payload) // template.width
            payload = payload[: count * template.width]
        domain.report.templates.setdefault(
            template.id, TemplateReport(template.id, template.fields)
        ).records += count
        if template.options:
            read_options(self._normaliser.names, domain, template, payload, count)
            domain.report.option_records += count
            return count
        if count:
            domain.waiting.setdefault(template.id, []).append(chunk._replace(payload=payload, records=count))
            self._rows += count
        return count

    def _flush(self) -> None:
        parts: list[pa.RecordBatch] = []
        order: list[np.ndarray] = []
        for domain in self._domains.values():
            for number, chunks in domain.waiting.items():
                template = fixed_width(domain.templates[number])
                batch, ordinals = self._normaliser.batch(domain, template, chunks)
                parts.append(batch)
                order.append(ordinals)
            domain.waiting = {}
        self._rows = 0
        if not parts:
            return
        if len(parts) > 1:
            table = pa.Table.from_batches(parts).unify_dictionaries().combine_chunks()
            table = table.take(np.argsort(np.concatenate(order), kind="stable"))
            self._ready.extend(table.combine_chunks().to_batches())
        else:
            self._ready.append(parts[0])

    # accounts

    def _domain(self, session: Session, version: int, number: int) -> Domain:
        key = (session, version, number)
        domain = self._domains.get(key)
        if domain is None:
            if len(self._domains) >= self._limits.domains:
                raise Malformed("more observation domains than can be told apart")
            protocol = {10: "ipfix", 9: "netflow9", 5: "netflow5"}[version]
            report = SessionReport(session.exporter, session.port, number, protocol)  # type: ignore[arg-type]
            domain = self._domains[key] = Domain(session, report)
            self.report.sessions.append(report)
            self._session_readings.setdefault((session, version), Reading())
        return domain

    def _copy(self, domain: Domain, sequence: int, data: bytes) -> bool:
        """True for an exact copy of a recent message (RFC 7011 9): it counts once."""
        if domain.recent.get(sequence) == data:
            domain.report.duplicates += 1
            return True
        domain.recent[sequence] = data
        if len(domain.recent) > self._limits.recent:
            domain.recent.popitem(last=False)
        return False

    def _heard(self, domain: Domain, export_ms: int, capture_ms: int | None) -> None:
        report = domain.report
        report.messages += 1
        first, last = report.first_export_ms, report.last_export_ms
        report.first_export_ms = export_ms if first is None else min(first, export_ms)
        report.last_export_ms = export_ms if last is None else max(last, export_ms)
        self.report.heard_minutes.setdefault(report.exporter, set()).add(export_ms // 60_000)
        if capture_ms:
            domain.clock.append(capture_ms - export_ms)

    def _sequence(self, domain: Domain, version: int, sequence: int, records: int, export_ms: int) -> None:
        units, alternative = (records, 1) if version != 9 else (1, records)
        lost = domain.own.add(sequence, units)
        if version == 5:  # v5 whose header names the last record
            domain.other.add((sequence - records) % 2**32, records)
        else:
            domain.other.add(sequence, alternative)
        self._session_readings[domain.session, version].add(sequence, units)
        if lost and not domain.uncounted:
            mean = domain.report.records / max(domain.report.messages, 1)
            count = (lost, 0) if version != 9 else (round(lost * mean), lost)
            if len(domain.losses) < self._limits.losses:
                event = LossEvent(domain.report.exporter, domain.report.domain, export_ms, count[1], count[0])
                domain.losses.append(event)

    def _close(self, domain: Domain) -> None:
        report = domain.report
        version = {"ipfix": 10, "netflow9": 9, "netflow5": 5}[report.protocol]
        whole = self._session_readings[domain.session, version]
        readings = (("standard", domain.own), ("other unit", domain.other), ("whole session", whole))
        name, best = min(readings, key=lambda pair: pair[1].breaks)
        report.sequence_reading = name
        report.restarts = best.restarts
        report.undecoded_sets += len(domain.held)
        if name == "standard" and not domain.uncounted:
            report.lost_records = sum(e.records for e in domain.losses) if version == 9 else best.lost
            report.lost_messages = best.lost if version == 9 else 0
            report.lost_is_estimate = version == 9
            if best.lost:
                self.report.losses.extend(domain.losses)
        if domain.clock:
            report.clock_offset_ms = int(np.median(np.array(domain.clock)))
        if domain.held:
            ids = ", ".join(str(n) for n in sorted({n for n, _ in domain.held})[:8])
            self.report.problem("", None, f"data sets without their template (ids {ids})", len(domain.held))
