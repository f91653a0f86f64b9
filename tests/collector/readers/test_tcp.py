"""IPFIX over TCP in captures. RFC 7011 10.4; sequence arithmetic of RFC 9293 3.4."""

from __future__ import annotations

import random
import struct
from collections.abc import Sequence

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scapy.layers.inet import IP, TCP

from flowdiag.collector.readers import tcp
from flowdiag.collector.readers.packets import Dissector

from .builders import ipfix, ipv4, payloads, problems, read
from .builders import pcap as capture

MESSAGES = [ipfix(number, bytes([number]) * (20 + 7 * number)) for number in range(12)]
STREAM = b"".join(MESSAGES)
START = 2**32 - 100  # the sequence numbers wrap within the stream


def segment(position: int, octets: bytes, flags: str = "A", port: int = 40_000, start: int = START) -> bytes:
    """The segment at octet position of the stream whose first octet has sequence number start + 1."""
    sequence = (start + 1 + position) % 2**32
    bits = sum({"F": 1, "S": 2, "A": 16}[flag] for flag in flags)
    return ipv4(struct.pack(">HHIIBBHHH", port, 4_739, sequence, 0, 5 << 4, bits, 65_535, 0, 0) + octets, 6)


def opening(port: int = 40_000, start: int = START) -> bytes:
    return segment(-1, b"", "S", port, start)


def cut(octets: bytes, width: int) -> list[tuple[int, bytes]]:
    return [(at, octets[at : at + width]) for at in range(0, len(octets), width)]


def raw(segments: Sequence[bytes]) -> bytes:
    return capture(segments, link_type=101)


@given(st.integers(1, 400))
def test_messages_come_whole_however_the_stream_is_cut(width: int) -> None:
    octets = raw([opening(), *(segment(at, piece) for at, piece in cut(STREAM, width))])
    assert payloads(octets) == MESSAGES


@given(st.randoms(use_true_random=False), st.integers(5, 200))
def test_segments_out_of_order_and_sent_twice_give_the_same_messages(
    order: random.Random, width: int
) -> None:
    segments = [segment(at, piece) for at, piece in cut(STREAM, width)]
    segments += order.sample(segments, len(segments) // 2)
    order.shuffle(segments)
    octets = raw([opening(), *segments])
    assert payloads(octets) == MESSAGES
    assert problems(octets) == []


def test_segments_that_scapy_writes_are_read() -> None:
    layers = IP(src="192.0.2.9", dst="192.0.2.2") / TCP(
        sport=1, dport=2, seq=1_001, flags="PA", options=[("MSS", 1_460), ("NOP", None)]
    )
    syn = IP(src="192.0.2.9", dst="192.0.2.2") / TCP(sport=1, dport=2, seq=1_000, flags="S")
    assert payloads(raw([bytes(syn), bytes(layers / STREAM)])) == MESSAGES


def test_retransmissions_that_overlap_are_trimmed() -> None:
    octets = raw(
        [opening(), segment(0, STREAM[:100]), segment(50, STREAM[50:300]), segment(200, STREAM[200:])]
    )
    assert payloads(octets) == MESSAGES


def test_a_missing_segment_costs_only_the_messages_in_it() -> None:
    at = len(MESSAGES[0]) + 10
    octets = raw([opening(), segment(0, STREAM[:at]), segment(at + 8, STREAM[at + 8 :])])
    assert payloads(octets) == [MESSAGES[0], *MESSAGES[2:]]
    assert [what for _, what, _ in problems(octets)] == [tcp.MISSING]


def test_a_capture_that_starts_in_the_middle_of_a_connection_starts_at_the_next_message() -> None:
    assert payloads(raw([segment(at + 9, piece) for at, piece in cut(STREAM[9:], 50)])) == MESSAGES[1:]


def test_a_stream_goes_on_in_the_next_capture() -> None:
    dissector = Dissector()
    half = len(STREAM) // 2
    first, _ = read(raw([opening(), segment(0, STREAM[:half])]), dissector)
    second, _ = read(raw([segment(half, STREAM[half:])]), dissector)
    assert [d.payload for d in first + second] == MESSAGES
    assert len({d.session for d in first + second}) == 1


def test_two_connections_of_the_same_ports_are_two_sessions() -> None:
    octets = raw(
        [
            opening(),
            segment(0, MESSAGES[0]),
            segment(len(MESSAGES[0]), b"", "FA"),
            opening(start=5_000),
            segment(0, MESSAGES[1], start=5_000),
        ]
    )
    datagrams, _ = read(octets)
    assert [d.payload for d in datagrams] == MESSAGES[:2]
    assert [(d.session.transport, d.session.connection) for d in datagrams] == [("tcp", 1), ("tcp", 2)]


def test_a_repeated_opening_is_the_same_connection() -> None:
    octets = raw(
        [opening(), opening(), segment(0, MESSAGES[0]), opening(), segment(len(MESSAGES[0]), MESSAGES[1])]
    )
    assert len({d.session for d in read(octets)[0]}) == 1
    assert payloads(octets) == MESSAGES[:2]


def test_other_tcp_traffic_is_ignored() -> None:
    web = [opening(9), segment(0, b"GET / HTTP/1.1\r\nHost: example.net\r\n\r\n" * 3, port=9)]
    middle = [segment(0, b"some other stream, seen from the middle", port=10)]
    octets = raw([*web, *middle, opening(), segment(0, STREAM)])
    assert payloads(octets) == MESSAGES
    assert problems(octets) == []


def test_damage_in_a_stream_is_searched_past() -> None:
    octets = raw([opening(), segment(0, MESSAGES[0] + b"\xff" * 30 + MESSAGES[1] + MESSAGES[2])])
    assert payloads(octets) == MESSAGES[:3]
    assert [what for _, what, _ in problems(octets)] == [tcp.LOST_TRACK]


def test_early_segments_are_held_within_a_bound(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(tcp, "MAX_EARLY_SEGMENTS", 3)
    segments = [segment(at, piece) for at, piece in cut(STREAM, 40)]
    dissector = Dissector()
    datagrams, report = read(raw([opening(), segments[0], *segments[2:]]), dissector)
    # The missing segment holds octets 40 to 80; message 1 stands at 40 to 87.
    assert [d.payload for d in datagrams] == [MESSAGES[0], *MESSAGES[2:]]
    assert [p.what for p in report.problems] == [tcp.MISSING]


def test_the_number_of_streams_is_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(tcp, "MAX_STREAMS", 4)
    octets = raw(
        [opening(1), segment(0, MESSAGES[0], port=1)]
        + [opening(port) for port in range(2, 7)]
        + [opening(7), segment(0, MESSAGES[1], port=7)]
    )
    assert payloads(octets) == MESSAGES[:2]
    assert [what for _, what, _ in problems(octets)] == [tcp.EVICTED]


def test_the_octets_held_are_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(tcp, "MAX_HELD_OCTETS", 1_000)
    long = ipfix(0, bytes(2_000))
    octets = raw(
        [opening(1), segment(0, MESSAGES[0] + long[:900], port=1), opening(2), segment(0, long[:900], port=2)]
    )
    assert payloads(octets) == MESSAGES[:1]
    assert [what for _, what, _ in problems(octets)] == [tcp.EVICTED]


def test_a_stream_without_a_message_is_given_up(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(tcp, "MAX_SEARCH_OCTETS", 500)
    noise = b"\xff" * 600
    assert payloads(raw([segment(0, noise), segment(600, STREAM)])) == []


@pytest.mark.parametrize(("most", "found"), [(50, []), (100, MESSAGES)])
def test_a_stream_of_nothing_but_false_headers_is_given_up(
    monkeypatch: pytest.MonkeyPatch, most: int, found: list[bytes]
) -> None:
    """Version 10 and length 32 at each fourth octet: 67 of 75 places lead to another."""
    monkeypatch.setattr(tcp, "MAX_FALSE_HEADERS", most)
    noise = b"\0\x0a\0\x20" * 75
    assert payloads(raw([segment(0, noise), segment(300, STREAM)])) == found


def test_the_search_behind_each_gap_is_a_new_one(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(tcp, "MAX_SEARCH_OCTETS", 500)
    monkeypatch.setattr(tcp, "MAX_EARLY_SEGMENTS", 0)
    segments, position = [], 0
    for number in range(0, 12, 2):
        for octets in (b"\xff" * 300, MESSAGES[number] + MESSAGES[number + 1]):
            segments.append(segment(position, octets))
            position += len(octets)
        position += 10
    assert payloads(raw(segments)) == MESSAGES
