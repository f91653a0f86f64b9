"""pcapng. Layout: draft-ietf-opsawg-pcapng (from memory); scapy as an independent writer."""

from __future__ import annotations

import struct
from pathlib import Path

import pytest
from scapy.layers.inet import IP, UDP
from scapy.layers.l2 import Ether
from scapy.utils import PcapNgWriter

from flowdiag.collector.readers import pcapng, window
from flowdiag.errors import ExportError

from .builders import EXPORT_TIME, frame, ipfix, netflow9, payloads, problems, read


def block(kind: int, body: bytes, order: str = "<") -> bytes:
    body += bytes(-len(body) % 4)
    length = struct.pack(order + "I", 12 + len(body))
    return struct.pack(order + "I", kind) + length + body + length


def section(order: str = "<") -> bytes:
    return block(0x0A0D0D0A, struct.pack(order + "IHHq", 0x1A2B3C4D, 1, 0, -1), order)


def interface(link_type: int = 1, options: bytes = b"", order: str = "<", snap_length: int = 0) -> bytes:
    return block(1, struct.pack(order + "HHI", link_type, 0, snap_length) + options, order)


def option(code: int, value: bytes, order: str = "<") -> bytes:
    return struct.pack(order + "HH", code, len(value)) + value + bytes(-len(value) % 4)


def enhanced(octets: bytes, ticks: int, number: int = 0, order: str = "<") -> bytes:
    head = struct.pack(order + "IIIII", number, ticks >> 32, ticks & 0xFFFFFFFF, len(octets), len(octets))
    return block(6, head + octets, order)


MAC = "02:00:00:00:00:01"
MICRO = EXPORT_TIME * 1_000_000


@pytest.mark.parametrize("order", ["<", ">"])
def test_enhanced_packets_of_either_byte_order_are_read(order: str) -> None:
    octets = section(order) + interface(order=order) + enhanced(frame(ipfix()), MICRO, order=order)
    datagrams, report = read(octets)
    assert [(d.payload, d.time_ms) for d in datagrams] == [(ipfix(), EXPORT_TIME * 1000)]
    assert octets[datagrams[0].offset :].startswith(ipfix())
    assert report.problems == []


@pytest.mark.parametrize(
    ("resolution", "ticks_in_a_second"),
    [(3, 10**3), (6, 10**6), (9, 10**9), (0x80 | 10, 2**10), (0x80 | 20, 2**20)],
)
def test_time_resolutions_are_powers_of_ten_or_of_two(resolution: int, ticks_in_a_second: int) -> None:
    ticks = EXPORT_TIME * ticks_in_a_second + ticks_in_a_second // 4
    octets = section() + interface(options=option(9, bytes([resolution]))) + enhanced(frame(ipfix()), ticks)
    assert [d.time_ms for d in read(octets)[0]] == [EXPORT_TIME * 1000 + 250]


def test_the_time_offset_of_an_interface_is_added_in_seconds() -> None:
    offset = option(14, struct.pack("<q", EXPORT_TIME - 100))
    octets = section() + interface(options=offset) + enhanced(frame(ipfix()), 100_000_000)
    assert [d.time_ms for d in read(octets)[0]] == [EXPORT_TIME * 1000]


def test_each_packet_is_read_by_its_own_interface() -> None:
    octets = (
        section()
        + interface(1)
        + interface(101, option(9, b"\x03"))
        + enhanced(frame(ipfix(0)), MICRO, 0)
        + enhanced(frame(ipfix(1))[14:], EXPORT_TIME * 1000, 1)
    )
    assert [(d.payload, d.time_ms) for d in read(octets)[0]] == [
        (ipfix(0), EXPORT_TIME * 1000),
        (ipfix(1), EXPORT_TIME * 1000),
    ]


def test_a_new_section_forgets_the_interfaces_and_may_change_the_byte_order() -> None:
    octets = section("<") + interface(101) + enhanced(frame(ipfix(0))[14:], MICRO)
    octets += section(">") + interface(1, order=">") + enhanced(frame(ipfix(1)), MICRO, order=">")
    octets += section("<") + enhanced(frame(ipfix(2)), MICRO)
    assert payloads(octets) == [ipfix(0), ipfix(1)]
    assert [what for _, what, _ in problems(octets)] == [pcapng.NO_INTERFACE]


def test_simple_packets_have_no_time_and_the_first_interface() -> None:
    simple = block(3, struct.pack("<I", len(frame(ipfix()))) + frame(ipfix()))
    assert [(d.payload, d.time_ms) for d in read(section() + interface() + simple)[0]] == [(ipfix(), None)]


def test_obsolete_packet_blocks_are_read() -> None:
    octets = frame(ipfix())
    head = struct.pack("<HHIIII", 0, 0, MICRO >> 32, MICRO & 0xFFFFFFFF, len(octets), len(octets))
    datagrams, _ = read(section() + interface() + block(2, head + octets))
    assert [(d.payload, d.time_ms) for d in datagrams] == [(ipfix(), EXPORT_TIME * 1000)]


def test_unknown_blocks_are_passed_over() -> None:
    octets = section() + block(4, b"names") + interface() + block(0x80000001, bytes(50))
    assert payloads(octets + enhanced(frame(netflow9()), MICRO)) == [netflow9()]


def test_captures_that_scapy_writes_are_read(tmp_path: Path) -> None:
    file = tmp_path / "export"
    with PcapNgWriter(str(file)) as writer:
        for number in range(3):
            writer.write(
                Ether(src=MAC, dst=MAC)
                / IP(src="192.0.2.9", dst="192.0.2.2")
                / UDP(sport=1, dport=2)
                / ipfix(number)
            )
    assert payloads(file.read_bytes()) == [ipfix(number) for number in range(3)]


def test_blocks_across_chunks_are_read(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(window, "CHUNK_OCTETS", 5)
    assert payloads(section() + interface() + enhanced(frame(ipfix()), MICRO) * 3) == [ipfix()] * 3


@pytest.mark.parametrize("cut", [1, 4, 30, 100])
def test_a_truncated_capture_is_used_up_to_its_last_whole_block(cut: int) -> None:
    last = enhanced(frame(ipfix(1)), MICRO)
    octets = section() + interface() + enhanced(frame(ipfix(0)), MICRO) + last
    assert payloads(octets[:-cut]) == [ipfix(0)]
    assert problems(octets[:-cut]) == [(len(octets) - len(last), pcapng.TRUNCATED, 1)]


@pytest.mark.parametrize("length", [0, 8, 13, 0x7FFFFFFC])
def test_a_block_of_impossible_length_ends_the_sound_part(length: int) -> None:
    sound = section() + interface() + enhanced(frame(ipfix(0)), MICRO)
    octets = sound + struct.pack("<II", 6, length) + bytes(64)
    assert payloads(octets) == [ipfix(0)]
    assert problems(octets) == [(len(sound), pcapng.DAMAGED, 1)]


def test_two_lengths_that_disagree_are_damage() -> None:
    sound = section() + interface() + enhanced(frame(ipfix(0)), MICRO)
    octets = sound + enhanced(frame(ipfix(1)), MICRO)[:-4] + struct.pack("<I", 4)
    assert payloads(octets) == [ipfix(0)]
    assert problems(octets) == [(len(sound), pcapng.DAMAGED, 1)]


def test_a_packet_longer_than_its_block_is_left_out() -> None:
    head = struct.pack("<IIIII", 0, 0, 0, 5_000, 5_000)
    octets = section() + interface() + block(6, head + bytes(40)) + enhanced(frame(ipfix()), MICRO)
    assert payloads(octets) == [ipfix()]
    assert [what for _, what, _ in problems(octets)] == [pcapng.DAMAGED_PACKET]


def test_packets_of_an_unknown_link_type_are_counted() -> None:
    octets = section() + interface(147) + interface() + enhanced(frame(ipfix()), MICRO, 0) * 2
    octets += enhanced(frame(ipfix()), MICRO, 1)
    assert payloads(octets) == [ipfix()]
    assert [(what, count) for _, what, count in problems(octets)] == [(pcapng.UNKNOWN_LINK, 2)]


def test_more_interfaces_than_the_bound_are_left_out(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(pcapng, "MAX_INTERFACES", 2)
    octets = (
        section() + interface() * 3 + enhanced(frame(ipfix()), MICRO, 1) + enhanced(frame(ipfix()), MICRO, 2)
    )
    assert payloads(octets) == [ipfix()]
    assert [what for _, what, _ in problems(octets)] == [pcapng.TOO_MANY_INTERFACES, pcapng.NO_INTERFACE]


def test_a_section_without_a_byte_order_is_no_capture() -> None:
    octets = block(0x0A0D0D0A, bytes(16))
    assert payloads(octets) == []
    with pytest.raises(ExportError, match="empty"):
        read(b"")
