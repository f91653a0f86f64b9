"""Containers: export messages as a classic pcap of UDP datagrams, as an IPFIX file (RFC 5655), or one after
another.
"""

from __future__ import annotations

import ipaddress
import struct
from collections.abc import Iterable
from pathlib import Path
from typing import Final

from flowdiag.collector.frames import internet_checksum, ipv4_header, ipv6_header
from flowdiag.scenario.exporting import Message

MAGIC_MICROSECONDS, MAGIC_NANOSECONDS = 0xA1B2C3D4, 0xA1B23C4D
LINKTYPE_ETHERNET: Final = 1
SNAPLEN: Final = 65535
_COLLECTOR_MAC, _EXPORTER_MAC = (
    bytes.fromhex("020000000001"),
    bytes.fromhex("020000000002"),
)  # locally administered
COLLECTOR_ADDRESS: Final = "192.0.2.250"


def pcap_bytes(
    messages: Iterable[Message],
    exporter: str,
    *,
    port: int = 50001,
    collector_port: int = 2055,
    nanoseconds: bool = False,
    big_endian: bool = False,
) -> bytes:
    """A capture file of the messages in UDP over IPv4 or IPv6 over Ethernet. exporter: address as text."""
    order = ">" if big_endian else "<"
    magic = MAGIC_NANOSECONDS if nanoseconds else MAGIC_MICROSECONDS
    parts = [struct.pack(order + "IHHiIII", magic, 2, 4, 0, 0, SNAPLEN, LINKTYPE_ETHERNET)]
    head = struct.Struct(order + "IIII")
    per_ms = 1_000_000 if nanoseconds else 1000
    source = ipaddress.ip_address(exporter)
    collector = ipaddress.ip_address(COLLECTOR_ADDRESS if source.version == 4 else "2001:db8::250")
    for number, message in enumerate(messages):
        udp = struct.pack("!HHHH", port, collector_port, 8 + len(message.payload), 0)
        if source.version == 4:
            packet = ipv4_header(source.packed, collector.packed, 8 + len(message.payload), number) + udp
        else:
            udp = udp[:6] + _udp_checksum6(source.packed, collector.packed, udp, message.payload)
            packet = ipv6_header(source.packed, collector.packed, 8 + len(message.payload)) + udp
        ethertype = b"\x08\x00" if source.version == 4 else b"\x86\xdd"
        frame = _COLLECTOR_MAC + _EXPORTER_MAC + ethertype + packet + message.payload
        seconds, rest = divmod(message.time_ms, 1000)
        parts += [head.pack(seconds, rest * per_ms, len(frame), len(frame)), frame]
    return b"".join(parts)


def _udp_checksum6(source: bytes, target: bytes, udp: bytes, payload: bytes) -> bytes:
    """Mandatory over IPv6 (RFC 8200 8.1); zero is sent as all ones."""
    pseudo = source + target + struct.pack("!IHBB", len(udp) + len(payload), 0, 0, 17)
    return struct.pack("!H", internet_checksum(pseudo + udp + payload) or 0xFFFF)


def write_pcap(path: str | Path, messages: Iterable[Message], exporter: str) -> None:
    """Writes a classic pcap, microseconds, little-endian."""
    Path(path).write_bytes(pcap_bytes(messages, exporter))


def write_messages(path: str | Path, messages: Iterable[Message]) -> None:
    """Writes the messages one after another: for IPFIX that is an IPFIX file (RFC 5655 7)."""
    Path(path).write_bytes(b"".join(message.payload for message in messages))
