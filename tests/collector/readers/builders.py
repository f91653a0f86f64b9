"""Hand-made export messages and containers for the reader tests, and one call that reads octets back."""

from __future__ import annotations

import io
import struct
from collections.abc import Sequence

from flowdiag.collector.datagram import Datagram
from flowdiag.collector.readers.container import Messages, open_container
from flowdiag.collector.readers.packets import Dissector
from flowdiag.collector.readers.source import Source
from flowdiag.collector.report import ExportReport
from flowdiag.collector.run import one_by_one

EXPORT_TIME = 1_772_400_000  # 2026-03-01T21:20:00Z
EXPORTER = bytes([192, 0, 2, 1])
COLLECTOR = bytes([192, 0, 2, 2])
ETHERNET_HEADER = bytes(12) + b"\x08\x00"


def ipfix(sequence: int = 0, body: bytes = b"flow record!") -> bytes:
    """An IPFIX message (RFC 7011 3.1) with one data set 256 around body."""
    set_octets = struct.pack(">HH", 256, 4 + len(body)) + body
    return struct.pack(">HHIII", 10, 16 + len(set_octets), EXPORT_TIME, sequence, 7) + set_octets


def netflow9(sequence: int = 0, body: bytes = b"flow record!", sets: int = 1) -> bytes:
    """A v9 packet (RFC 3954 5.1) with data FlowSets 256 around body."""
    flow_set = struct.pack(">HH", 256, 4 + len(body)) + body
    return struct.pack(">HHIIII", 9, sets, 1_000, EXPORT_TIME, sequence, 7) + flow_set * sets


def netflow5(sequence: int = 0, count: int = 1) -> bytes:
    """A v5 packet: header of 24 octets and count records of 48 (common practice, no source)."""
    return struct.pack(">HHIIIIHH", 5, count, 1_000, EXPORT_TIME, 0, sequence, 0, 0) + bytes(48 * count)


def udp(payload: bytes, source_port: int = 50_000, destination_port: int = 4_739) -> bytes:
    return struct.pack(">HHHH", source_port, destination_port, 8 + len(payload), 0) + payload


def ipv4(body: bytes, protocol: int = 17, *, identification: int = 0, fragment: int = 0) -> bytes:
    return (
        struct.pack(">BBHHHBBH", 0x45, 0, 20 + len(body), identification, fragment, 64, protocol, 0)
        + EXPORTER
        + COLLECTOR
        + body
    )


def frame(payload: bytes) -> bytes:
    """An Ethernet frame with the payload in UDP over IPv4."""
    return ETHERNET_HEADER + ipv4(udp(payload))


def pcap(
    frames: Sequence[bytes],
    *,
    link_type: int = 1,
    order: str = "<",
    nanoseconds: bool = False,
    snap_length: int = 262_144,
    start: int = EXPORT_TIME,
) -> bytes:
    """A classic pcap: one frame a second from start, half a millisecond after the full second."""
    magic = 0xA1B23C4D if nanoseconds else 0xA1B2C3D4
    fraction = 500_000 if nanoseconds else 500
    parts = [struct.pack(order + "IHHiIII", magic, 2, 4, 0, 0, snap_length, link_type)]
    for number, octets in enumerate(frames):
        kept = octets[:snap_length]
        parts += [struct.pack(order + "IIII", start + number, fraction, len(kept), len(octets)), kept]
    return b"".join(parts)


def read(octets: bytes, dissector: Dissector | None = None) -> tuple[list[Datagram], ExportReport]:
    """The datagrams in a container of messages, and the report with the problems."""
    report = ExportReport()
    contents = open_container(io.BytesIO(octets), Source("file", 3, report), dissector or Dissector())
    assert isinstance(contents, Messages)
    return list(one_by_one(contents.datagrams)), report


def payloads(octets: bytes) -> list[bytes]:
    return [datagram.payload for datagram in read(octets)[0]]


def problems(octets: bytes) -> list[tuple[int | None, str, int]]:
    return [(p.offset, p.what, p.count) for p in read(octets)[1].problems]
