"""Export messages for the tests, written out field by field: a small encoder that knows nothing of the decoder."""

from __future__ import annotations

import struct
from collections.abc import Iterable, Sequence

import pyarrow as pa

from flowdiag.addresses import V4_PREFIX
from flowdiag.collector.datagram import Datagram, Session
from flowdiag.collector.decode.decoder import Decoder
from flowdiag.collector.report import ExportReport
from flowdiag.flows import FLOW_SCHEMA

EXPORT_S = 1_700_000_000
UPTIME_MS = 3_600_000

# (element, octets), or (element, octets, enterprise).
FieldPair = tuple[int, int] | tuple[int, int, int]

# Addresses, ports, protocol, octets, packets, start and end in ms: 37 octets a record.
FLOW_FIELDS: tuple[FieldPair, ...] = (
    (8, 4), (12, 4), (7, 2), (11, 2), (4, 1), (1, 4), (2, 4), (152, 8), (153, 8),
)  # fmt: skip


def session(last: int = 1, port: int = 50_000, transport: str = "udp", connection: int = 0) -> Session:
    return Session(v4("192.0.2." + str(last)), port, v4("192.0.2.200"), 4739, transport, connection)  # type: ignore[arg-type]


def file_session() -> Session:
    return Session(bytes(16), 0, bytes(16), 0, "file")


def v4(text: str) -> bytes:
    return V4_PREFIX + v4_octets(text)


def v4_octets(text: str) -> bytes:
    return bytes(int(part) for part in text.split("."))


def field(pair: FieldPair) -> bytes:
    if len(pair) == 3:
        return struct.pack("!HHI", pair[0] | 0x8000, pair[1], pair[2])
    return struct.pack("!HH", *pair)


def template(number: int, fields: Sequence[FieldPair]) -> bytes:
    return struct.pack("!HH", number, len(fields)) + b"".join(map(field, fields))


def options_template(number: int, fields: Sequence[FieldPair], scopes: int = 1) -> bytes:
    return struct.pack("!HHH", number, len(fields), scopes) + b"".join(map(field, fields))


def options_template9(
    number: int, scopes: Sequence[tuple[int, int]], options: Sequence[tuple[int, int]]
) -> bytes:
    pairs = b"".join(struct.pack("!HH", *pair) for pair in (*scopes, *options))
    return struct.pack("!HHH", number, 4 * len(scopes), 4 * len(options)) + pairs


def a_set(number: int, *contents: bytes, padding: int = 0) -> bytes:
    body = b"".join(contents) + bytes(padding)
    return struct.pack("!HH", number, len(body) + 4) + body


def ipfix(*sets: bytes, sequence: int = 0, domain: int = 1, export_s: int = EXPORT_S) -> bytes:
    body = b"".join(sets)
    return struct.pack("!HHIII", 10, 16 + len(body), export_s, sequence, domain) + body


def netflow9(
    *sets: bytes,
    sequence: int = 0,
    domain: int = 1,
    export_s: int = EXPORT_S,
    uptime_ms: int = UPTIME_MS,
    count: int = 1,
) -> bytes:
    return struct.pack("!HHIIII", 9, count, uptime_ms, export_s, sequence, domain) + b"".join(sets)


def netflow5(
    *records: bytes,
    sequence: int = 0,
    engine: tuple[int, int] = (0, 0),
    sampling: int = 0,
    export_s: int = EXPORT_S,
    uptime_ms: int = UPTIME_MS,
    nanoseconds: int = 0,
) -> bytes:
    head = (5, len(records), uptime_ms, export_s, nanoseconds, sequence, *engine, sampling)
    return struct.pack("!HHIIIIBBH", *head) + b"".join(records)


def record5(
    octets: int = 100, packets: int = 1, first: int = UPTIME_MS - 2000, last: int = UPTIME_MS - 1000
) -> bytes:
    addresses = v4_octets("10.0.0.1") + v4_octets("198.51.100.1") + bytes(4)
    counters = struct.pack("!HHIIII", 1, 2, packets, octets, first, last)
    return addresses + counters + struct.pack("!HHBBBBHHBBH", 1234, 443, 0, 0x1B, 6, 0x28, 0, 0, 24, 24, 0)


def flow(
    number: int = 1, *, start_ms: int = EXPORT_S * 1000 - 5000, end_ms: int = EXPORT_S * 1000 - 1000
) -> bytes:
    """A record of FLOW_FIELDS: 100 * number octets in number packets, from 10.0.0.number."""
    addresses = v4_octets(f"10.0.0.{number % 256}") + v4_octets("198.51.100.1")
    rest = (1000 + number % 60_000, 443, 6, 100 * number, number, start_ms, end_ms)
    return addresses + struct.pack("!HHBIIQQ", *rest)


def with_template(number: int = 256) -> bytes:
    """An IPFIX set that defines FLOW_FIELDS."""
    return a_set(2, template(number, FLOW_FIELDS))


def with_template9(number: int = 256) -> bytes:
    return a_set(0, template(number, FLOW_FIELDS))


class Decoded:
    """What a decoder makes of messages: the flow table and the report."""

    def __init__(self, table: pa.Table, report: ExportReport) -> None:
        self.table = table
        self.report = report

    @property
    def rows(self) -> list[dict[str, object]]:
        rows: list[dict[str, object]] = self.table.to_pylist()
        return rows

    def column(self, name: str) -> list[object]:
        values: list[object] = self.table[name].to_pylist()
        return values

    @property
    def problems(self) -> list[str]:
        return [problem.what for problem in self.report.problems]


def datagrams(messages: Iterable[bytes], of: Session | None = None) -> list[Datagram]:
    place, found = 0, []
    for message in messages:
        found.append(Datagram(of or session(), message, EXPORT_S * 1000, place))
        place += len(message)
    return found


def decode(*messages: bytes | Datagram, of: Session | None = None, **options: object) -> Decoded:
    """Feeds messages (octets: of one session) and gives all there is."""
    report = ExportReport()
    decoder = Decoder(report, **options)  # type: ignore[arg-type]
    batches = []
    place = 0
    for message in messages:
        if isinstance(message, bytes):
            message = Datagram(of or session(), message, EXPORT_S * 1000, place)
        place += len(message.payload)
        decoder.feed(message, "export")
        batches += decoder.batches()
    batches += decoder.finish()
    return Decoded(pa.Table.from_batches(batches, FLOW_SCHEMA).unify_dictionaries(), report)
