"""IP inside captures: fragments and extension headers.

RFC 791 3.2, RFC 8200 4; scapy as an independent writer.
"""

from __future__ import annotations

import struct

import pytest
from scapy.layers.inet import IP, UDP, fragment
from scapy.layers.inet6 import (
    IPv6,
    IPv6ExtHdrDestOpt,
    IPv6ExtHdrFragment,
    IPv6ExtHdrHopByHop,
    IPv6ExtHdrRouting,
    fragment6,
)

from flowdiag.collector.readers import packets, session_table
from flowdiag.collector.readers.packets import Dissector

from .builders import COLLECTOR, ETHERNET_HEADER, EXPORTER, frame, ipfix, ipv4, payloads, problems, read, udp
from .builders import pcap as capture

LONG = ipfix(0, bytes(range(256)) * 20)
ENDS = {"src": "2001:db8::9", "dst": "2001:db8::2"}
UDP_LAYER = UDP(sport=50_000, dport=4_739)


def raw(*written: bytes) -> bytes:
    return capture(list(written), link_type=101)


def test_ipv4_fragments_are_put_together_in_any_order() -> None:
    pieces = [
        bytes(piece)
        for piece in fragment(IP(src="192.0.2.9", dst="192.0.2.2", id=77) / UDP_LAYER / LONG, fragsize=1_000)
    ]
    assert len(pieces) == 6
    assert payloads(raw(*pieces)) == payloads(raw(*reversed(pieces))) == [LONG]


def test_ipv6_fragments_are_put_together_in_any_order() -> None:
    whole = IPv6(**ENDS) / IPv6ExtHdrFragment(id=9) / UDP_LAYER / LONG
    pieces = [bytes(piece) for piece in fragment6(whole, 1_280)]
    assert len(pieces) > 3
    assert payloads(raw(*pieces)) == payloads(raw(*reversed(pieces))) == [LONG]


def test_fragments_of_two_datagrams_do_not_mix() -> None:
    first, second = (
        [bytes(p) for p in fragment(IP(src="192.0.2.9", id=number) / UDP_LAYER / message, fragsize=1_000)]
        for number, message in ((1, LONG), (2, ipfix(5, bytes(3_000))))
    )
    mixed = [piece for pair in zip(first, second, strict=False) for piece in pair] + first[len(second) :]
    assert sorted(payloads(raw(*mixed))) == sorted([LONG, ipfix(5, bytes(3_000))])


def test_a_datagram_with_a_missing_fragment_is_counted() -> None:
    pieces = [bytes(p) for p in fragment(IP(src="192.0.2.9", id=77) / UDP_LAYER / LONG, fragsize=1_000)]
    octets = raw(pieces[0], *pieces[2:], bytes(IP(src="192.0.2.9") / UDP_LAYER / ipfix(1)))
    assert payloads(octets) == [ipfix(1)]
    assert problems(octets) == [(None, packets.INCOMPLETE, 1)]


@pytest.mark.parametrize(
    "headers",
    [
        IPv6ExtHdrHopByHop(),
        IPv6ExtHdrDestOpt(),
        IPv6ExtHdrRouting(),
        IPv6ExtHdrFragment(id=1),  # an atomic fragment, RFC 6946
        IPv6ExtHdrHopByHop() / IPv6ExtHdrRouting() / IPv6ExtHdrDestOpt(),
    ],
    ids=["hop-by-hop", "destination", "routing", "atomic fragment", "three"],
)
def test_ipv6_extension_headers_are_stepped_over(headers: IPv6) -> None:
    assert payloads(raw(bytes(IPv6(**ENDS) / headers / UDP_LAYER / ipfix()))) == [ipfix()]


def test_an_authentication_header_is_stepped_over() -> None:
    # RFC 4302 2.2: length in units of 4 octets, minus 2; here 24 octets.
    authentication = struct.pack(">BBH", 17, 4, 0) + bytes(20)
    body = authentication + udp(ipfix())
    header = struct.pack(">IHBB", 6 << 28, len(body), 51, 64) + bytes(32)
    assert payloads(raw(header + body)) == [ipfix()]


def test_ipv4_options_are_stepped_over() -> None:
    octets = udp(ipfix())
    header = struct.pack(">BBHHHBBH", 0x47, 0, 28 + len(octets), 0, 0, 64, 17, 0) + EXPORTER + COLLECTOR
    assert payloads(raw(header + bytes(8) + octets)) == [ipfix()]


def test_a_zero_total_length_means_the_captured_octets() -> None:
    # Network cards that segment leave it 0 in captures on the sender (common practice, no source).
    octets = bytearray(ipv4(udp(ipfix())))
    octets[2:4] = b"\x00\x00"
    assert payloads(raw(bytes(octets))) == [ipfix()]


@pytest.mark.parametrize(
    "octets",
    [
        b"\x45" * 8,
        b"\x41" + ipv4(b"")[1:],
        ipv4(b"", 17)[:19],
        ipv4(b"\x00" * 4),
        ipv4(b"\xff" * 64, 1),
        b"\x60" * 39,
    ],
)
def test_packets_that_hold_no_message_are_passed_over(octets: bytes) -> None:
    assert payloads(raw(octets, ipv4(udp(ipfix())))) == [ipfix()]


def test_sessions_and_streams_carry_over_to_the_next_capture() -> None:
    dissector = Dissector()
    read(capture([frame(ipfix(0))]), dissector)
    # Nothing but the session of the first file tells that this is an export.
    damaged = b"\x00\x0a\xff\xff" + bytes(30)
    assert [d.payload for d in read(capture([frame(damaged)]), dissector)[0]] == [damaged]


def test_the_session_table_starts_afresh_at_its_bound(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(session_table, "MAX_SESSIONS", 10)
    frames = [ETHERNET_HEADER + ipv4(udp(ipfix(), port)) for port in range(1, 26)]
    dissector = Dissector()
    datagrams, _ = read(capture(frames), dissector)
    assert [d.session.port for d in datagrams] == list(range(1, 26))
    assert len(dissector.sessions.known) <= 10
