"""Captures, each aimed at one thing that their readers keep or search."""

from __future__ import annotations

import struct
from collections.abc import Callable, Iterator

from tests.collector.decode.wire import EXPORT_S, a_set, flow, ipfix, with_template
from tests.hostile.messages import repeated

ETHERNET = bytes(12) + b"\x08\x00"
HEADER = struct.pack("<IHHiIII", 0xA1B2C3D4, 2, 4, 0, 0, 262_144, 1)
SOUND = ipfix(with_template(), a_set(256, flow()))


def packet(octets: bytes, second: int = EXPORT_S) -> bytes:
    return struct.pack("<IIII", second, 0, len(octets), len(octets)) + octets


def ipv4(body: bytes, protocol: int, *, identification: int = 0, fragment: int = 0, last: int = 1) -> bytes:
    head = struct.pack(
        "!BBHHHBBH", 0x45, 0, 20 + len(body), identification & 0xFFFF, fragment, 64, protocol, 0
    )
    return ETHERNET + head + bytes((192, 0, 2, last % 256, 192, 0, 2, 200)) + body


def udp(payload: bytes, port: int = 50_000) -> bytes:
    return struct.pack("!HHHH", port % 65_536, 4739, 8 + len(payload), 0) + payload


def tcp(payload: bytes, sequence: int, *, port: int = 50_000, flags: int = 16) -> bytes:
    return struct.pack("!HHIIBBHHH", port % 65_536, 4739, sequence % 2**32, 0, 80, flags, 0, 0, 0) + payload


def sound() -> bytes:
    return HEADER + packet(ipv4(udp(SOUND), 17))


def tiny_packets(octets: int) -> bytes:
    """Packets of one octet."""
    return sound() + packet(b"\1") * (octets // 17)


def empty_packets(octets: int) -> bytes:
    """Packets without octets."""
    return sound() + packet(b"") * (octets // 16)


def huge_snap_length(octets: int) -> bytes:
    """A header that promises four gigabytes a packet, and packets that claim as much."""
    head = struct.pack("<IHHiIII", 0xA1B2C3D4, 2, 4, 0, 0, 0xFFFF_FFFF, 1)
    liar = struct.pack("<IIII", EXPORT_S, 0, 0xFFFF_FFF0, 0xFFFF_FFF0)
    return head + packet(ipv4(udp(SOUND), 17)) + liar * (octets // 16)


def damaged_every_other(octets: int) -> bytes:
    """Between two sound packets always one that claims more than there is."""
    liar = struct.pack("<IIII", EXPORT_S, 0, 262_145, 1)
    pair = packet(ipv4(udp(SOUND), 17)) * 2 + liar
    return HEADER + pair * (octets // len(pair))


def plausible_everywhere(octets: int) -> bytes:
    """After damage, what looks like the header of a packet at each fourth octet, and never is followed by one."""
    half = EXPORT_S.to_bytes(4, "little")
    return sound() + struct.pack("<IIII", EXPORT_S, 0, 2**31, 1) + half * (octets // 4)


def foreign_datagrams(octets: int) -> bytes:
    """UDP that is no export, each from another port."""
    return sound() + repeated(octets, lambda number: packet(ipv4(udp(b"\1", number), 17, last=number >> 16)))


def forged_sessions(octets: int) -> bytes:
    """Small exports of ever another sender."""
    return sound() + repeated(
        octets, lambda number: packet(ipv4(udp(ipfix(), number), 17, last=number >> 16))
    )


def fragments_never_whole(octets: int) -> bytes:
    """First fragments of ever another datagram."""
    return sound() + repeated(
        octets,
        lambda number: packet(
            ipv4(bytes(1400), 17, identification=number, fragment=0x2000, last=number >> 16)
        ),
    )


def fragments_of_one(octets: int) -> bytes:
    """Datagrams in the smallest pieces, last ones first, and never whole."""

    def piece(number: int) -> bytes:
        datagram, at = divmod(number, 1_023)
        return packet(ipv4(bytes(8), 17, identification=datagram, fragment=0x2000 | (4_000 - at * 2)))

    return sound() + repeated(octets, piece)


def fragments_whole_again(octets: int) -> bytes:
    """Each fragment changes between the datagrams that wait."""

    def piece(number: int) -> bytes:
        at, datagram = divmod(number, 255)
        return packet(ipv4(bytes(8), 17, identification=datagram, fragment=0x2000 | (at * 2) % 8_000))

    return sound() + repeated(octets, piece)


def tcp_gaps(octets: int) -> bytes:
    """A stream whose every other octet never comes."""
    return (
        sound()
        + packet(ipv4(tcp(b"", 0, flags=2), 6))
        + packet(ipv4(tcp(SOUND, 1), 6))
        + repeated(octets, lambda number: packet(ipv4(tcp(b"\0", 1_000 + 2 * number), 6)))
    )


def tcp_gaps_backwards(octets: int) -> bytes:
    """Early segments, the latest first."""

    def piece(number: int) -> bytes:
        block, at = divmod(number, 1_024)
        return packet(ipv4(tcp(b"\0\x0a", 2_000 + block * 4_096 + (1_024 - at) * 3), 6))

    return (
        sound()
        + packet(ipv4(tcp(b"", 0, flags=2), 6))
        + packet(ipv4(tcp(SOUND, 1), 6))
        + repeated(octets, piece)
    )


def tcp_connections(octets: int) -> bytes:
    """Ever new connections that send a little of a message."""
    return sound() + repeated(
        octets, lambda number: packet(ipv4(tcp(SOUND[:20], 0, port=number), 6, last=number >> 16))
    )


def tcp_octet_by_octet(octets: int) -> bytes:
    """The longest message, an octet a segment."""
    message = ipfix(with_template()) + ipfix(a_set(256, bytes(65_000)))
    return (
        sound()
        + packet(ipv4(tcp(b"", 0, flags=2), 6))
        + repeated(
            octets,
            lambda number: packet(ipv4(tcp(message[(n := number % len(message)) : n + 1], number + 1), 6)),
        )
    )


def tcp_out_of_step(octets: int) -> bytes:
    """A stream seen from its middle that looks like a header at each place."""
    return sound() + repeated(
        octets,
        lambda number: packet(ipv4(tcp(b"\0\x0a\0\x20" * 350, 1 + number * 1_400, port=number // 40), 6)),
    )


def sctp_chunks(octets: int) -> bytes:
    """Packets full of the smallest chunks."""
    chunk = struct.pack("!BBH", 0, 3, 17) + bytes(12) + b"\0" + bytes(3)
    body = struct.pack("!HHII", 50_000, 4739, 0, 0) + chunk * 3_200
    one = packet(ipv4(body, 132))
    return sound() + one * (octets // len(one))


def ipv6_headers(octets: int) -> bytes:
    """Extension headers one after another."""
    chain = (b"\x3c\0" + bytes(6)) * 8_000
    octets_6 = struct.pack("!IHBB", 6 << 28, len(chain), 60, 64) + bytes(32) + chain
    one = packet(bytes(12) + b"\x86\xdd" + octets_6)
    return sound() + one * (octets // len(one))


def tags(octets: int) -> bytes:
    """Frames of nothing but VLAN tags."""
    one = packet(bytes(12) + b"\x81\0\0\1" * 60_000)
    return sound() + one * (octets // len(one))


def block(kind: int, body: bytes) -> bytes:
    body += bytes(-len(body) % 4)
    length = struct.pack("<I", 12 + len(body))
    return struct.pack("<I", kind) + length + body + length


SECTION = block(0x0A0D0D0A, struct.pack("<IHHq", 0x1A2B3C4D, 1, 0, -1))
INTERFACE = block(1, struct.pack("<HHI", 1, 0, 0))


def enhanced(octets: bytes, number: int = 0) -> bytes:
    ticks = EXPORT_S * 1_000_000
    head = struct.pack("<IIIII", number, ticks >> 32, ticks & 0xFFFFFFFF, len(octets), len(octets))
    return block(6, head + octets)


def sound_ng() -> bytes:
    return SECTION + INTERFACE + enhanced(ipv4(udp(SOUND), 17))


def ng_interfaces(octets: int) -> bytes:
    """Thousands of interfaces, in sections of as many as are kept and more."""
    section = SECTION + INTERFACE * 20_000
    return sound_ng() + section * (octets // len(section))


def ng_options(octets: int) -> bytes:
    """Interfaces described by the most options that a block holds."""
    one = block(1, struct.pack("<HHI", 1, 0, 0) + struct.pack("<HHI", 9, 1, 6) * 2_000_000)
    return sound_ng() + one * max(octets // len(one), 1)


def ng_empty_blocks(octets: int) -> bytes:
    """Blocks of an unknown type without a body."""
    return sound_ng() + block(0x0BAD, b"") * (octets // 12)


def ng_sections(octets: int) -> bytes:
    """Sections without anything in them."""
    return sound_ng() + SECTION * (octets // len(SECTION))


def ng_long_block(octets: int) -> bytes:
    """A block as long as allowed, and one that claims four gigabytes."""
    return (
        sound_ng()
        + block(0x0BAD, bytes((16 << 20) - 12))
        + struct.pack("<II", 0x0BAD, 0xFFFF_FFFC)
        + bytes(64)
    )


def ng_packets_of_no_interface(octets: int) -> bytes:
    """Packets of interfaces that nobody described."""
    return sound_ng() + enhanced(b"\1", 9_999) * (octets // 36)


def ng_simple_packets(octets: int) -> bytes:
    """Simple packets that claim more than their block has."""
    return sound_ng() + block(3, struct.pack("<I", 0xFFFF_FFFF)) * (octets // 16)


KINDS: tuple[Callable[[int], bytes], ...] = (
    tiny_packets, empty_packets, huge_snap_length, damaged_every_other, plausible_everywhere, foreign_datagrams,
    forged_sessions, fragments_never_whole, fragments_of_one, fragments_whole_again, tcp_gaps, tcp_gaps_backwards,
    tcp_connections, tcp_octet_by_octet, tcp_out_of_step, sctp_chunks, ipv6_headers, tags, ng_interfaces, ng_options,
    ng_empty_blocks, ng_sections, ng_long_block, ng_packets_of_no_interface, ng_simple_packets,
)  # fmt: skip


def each() -> Iterator[tuple[str, Callable[[int], bytes]]]:
    for make in KINDS:
        yield make.__name__, make
