"""Datagrams as packets of a classic pcap: the headers that make a payload something any tool can open.

Facts the design follows:
- a packet of a capture needs Ethernet, IP and UDP headers; a collector's socket gives the addresses, ports and payload
  that stand in them, and nothing else of them is worth keeping;
- lengths of IP and UDP have 16 bits. A message of a TCP connection may be longer than they can say; zero there
  means "as far as the capture goes" (common practice of captures on sending hosts; RFC 2675 for UDP over IPv6);
- a UDP checksum of zero means that there is none (RFC 768; over IPv6 by RFC 6935 for packets that no network carries).
"""

from __future__ import annotations

import struct
from struct import Struct
from typing import Final

from flowdiag.addresses import V4_PREFIX

ETHERNET: Final = 1
SNAP_LENGTH: Final = 262_144


def pcap_header(mark: int = 0) -> bytes:
    """Microseconds, little-endian. mark: the field for the accuracy of time stamps, which all tools set to 0 and none
    looks at (common practice): so captures of equal packets can differ.
    """
    return struct.pack("<IHHiIII", 0xA1B2C3D4, 2, 4, 0, mark, SNAP_LENGTH, ETHERNET)


PCAP_HEADER: Final = pcap_header()
# Seconds, microseconds, octets captured, octets on the wire.
RECORD_HEADER: Final = Struct("<IIII")

_MACS: Final = bytes.fromhex("020000000001020000000002")  # locally administered: none is known
_UDP: Final = 17
_UDP_HEADER: Final = 8
_HOP_LIMIT: Final = 64
_LONGEST: Final = 0xFFFF


def udp_front(source: bytes, source_port: int, target: bytes, target_port: int, octets: int) -> bytes:
    """The Ethernet, IP and UDP headers of a datagram with a payload of so many octets.

    source, target: 16 octets, IPv4 mapped. The packet is IPv4 if its source is; a target of the other family, which is
    that of a socket for both, becomes the unspecified address.
    """
    length = _UDP_HEADER + octets
    if source.startswith(V4_PREFIX):
        where = target[12:] if target.startswith(V4_PREFIX) else bytes(4)
        ethertype, ip = b"\x08\x00", ipv4_header(source[12:], where, length)
        length = length if 20 + length <= _LONGEST else 0
    else:
        ethertype, ip = b"\x86\xdd", ipv6_header(source, target, length)
        length = length if length <= _LONGEST else 0
    return _MACS + ethertype + ip + struct.pack("!HHHH", source_port, target_port, length, 0)


def packet_source(packet: bytes) -> bytes:
    """The source address, 16 octets, IPv4 mapped, of a packet that begins with a front of udp_front()."""
    return V4_PREFIX + packet[26:30] if packet[12:14] == b"\x08\x00" else packet[22:38]


def packet_record(seconds: int, microseconds: int, front: bytes, payload: bytes) -> bytes:
    """A packet as it stands in a capture with PCAP_HEADER."""
    octets = len(front) + len(payload)
    return RECORD_HEADER.pack(seconds, microseconds, octets, octets) + front + payload


def ipv4_header(source: bytes, target: bytes, content: int, identification: int = 0) -> bytes:
    """A 20-octet IPv4 header for UDP with its checksum (RFC 791 3.1). content: octets after the header."""
    total = 20 + content if 20 + content <= _LONGEST else 0
    fields = (0x45, 0, total, identification & 0xFFFF, 0, _HOP_LIMIT, _UDP)
    blank = struct.pack("!BBHHHBBH", *fields, 0) + source + target
    return struct.pack("!BBHHHBBH", *fields, internet_checksum(blank)) + source + target


def ipv6_header(source: bytes, target: bytes, content: int) -> bytes:
    """A 40-octet IPv6 header for UDP (RFC 8200 3). content: octets after the header."""
    return (
        struct.pack("!IHBB", 6 << 28, content if content <= _LONGEST else 0, _UDP, _HOP_LIMIT)
        + source
        + target
    )


def internet_checksum(data: bytes) -> int:
    """The checksum of IP, UDP and TCP (RFC 1071)."""
    if len(data) % 2:
        data += b"\x00"
    total: int = sum(struct.unpack(f"!{len(data) // 2}H", data))
    while total >> 16:
        total = (total & 0xFFFF) + (total >> 16)
    return ~total & 0xFFFF
