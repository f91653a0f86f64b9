"""Classic pcap. Layout: draft-ietf-opsawg-pcap (from memory); scapy as an independent writer."""

from __future__ import annotations

import struct
from pathlib import Path

import pytest
from scapy.layers.inet import IP, UDP
from scapy.layers.inet6 import IPv6
from scapy.layers.l2 import Ether
from scapy.utils import PcapWriter

from flowdiag.collector.datagram import Session
from flowdiag.collector.readers import packets, pcap, window
from flowdiag.errors import ExportError

from .builders import EXPORT_TIME, frame, ipfix, netflow5, netflow9, payloads, problems, read
from .builders import pcap as capture

THREE = [ipfix(0), netflow9(1), netflow5(2)]
FRAMES = [frame(message) for message in THREE]
MAC = "02:00:00:00:00:01"
V4 = bytes(10) + b"\xff\xff"


@pytest.mark.parametrize("order", ["<", ">"])
@pytest.mark.parametrize("nanoseconds", [False, True])
def test_each_byte_order_and_time_unit_is_read(order: str, nanoseconds: bool) -> None:
    datagrams, report = read(capture(FRAMES, order=order, nanoseconds=nanoseconds))
    assert [d.payload for d in datagrams] == THREE
    # Half a millisecond after the full second is rounded down to the millisecond.
    assert [d.time_ms for d in datagrams] == [(EXPORT_TIME + n) * 1000 for n in range(3)]
    assert report.problems == []


def test_the_session_is_the_udp_endpoints() -> None:
    session = read(capture(FRAMES))[0][0].session
    exporter, collector = V4 + bytes([192, 0, 2, 1]), V4 + bytes([192, 0, 2, 2])
    assert session == Session(exporter, 50_000, collector, 4_739, "udp", 0)


def test_the_offset_is_that_of_the_message_in_the_file() -> None:
    octets = capture([frame(message) for message in [ipfix(0), ipfix(1)]])
    # 24 file header + 16 packet header + 14 Ethernet + 20 IPv4 + 8 UDP = 82
    assert [d.offset for d in read(octets)[0]] == [82, 82 + len(ipfix()) + 58]
    assert all(octets[d.offset :].startswith(d.payload) for d in read(octets)[0])


def test_the_short_way_gives_what_the_long_way_gives() -> None:
    # The second message of a session takes the short way through the loop; a tagged frame never does.
    tagged = [octets[:12] + b"\x81\x00\x00\x01" + octets[12:] for octets in FRAMES]
    short, long = read(capture(FRAMES))[0], read(capture(tagged))[0]
    assert [d[:3] for d in short] == [d[:3] for d in long]


def test_captures_that_scapy_writes_are_read(tmp_path: Path) -> None:
    file = tmp_path / "export"
    with PcapWriter(str(file), linktype=1) as writer:
        writer.write(
            Ether(src=MAC, dst=MAC) / IP(src="192.0.2.9", dst="192.0.2.2") / UDP(sport=1, dport=2) / THREE[0]
        )
        writer.write(
            Ether(src=MAC, dst=MAC)
            / IPv6(src="2001:db8::9", dst="2001:db8::2")
            / UDP(sport=1, dport=2)
            / THREE[1]
        )
    datagrams, _ = read(file.read_bytes())
    assert [d.payload for d in datagrams] == THREE[:2]
    assert [d.session.exporter.hex() for d in datagrams] == [
        "00000000000000000000ffffc0000209",
        "20010db8000000000000000000000009",
    ]


def test_ethernet_padding_is_no_part_of_the_message() -> None:
    short = ipfix(0, b"")
    assert payloads(capture([frame(short) + bytes(6), frame(short) + bytes(6)])) == [short, short]


def test_packets_across_chunks_are_read(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(window, "CHUNK_OCTETS", 13)
    assert payloads(capture(FRAMES)) == THREE


def test_a_truncated_capture_is_used_up_to_its_last_whole_packet() -> None:
    octets = capture(FRAMES)
    last = len(octets) - 16 - len(FRAMES[2])
    for cut in (1, 60, len(FRAMES[2]) + 10):
        assert payloads(octets[:-cut]) == THREE[:2]
        assert problems(octets[:-cut]) == [(last, pcap.TRUNCATED, 1)]


def test_a_damaged_packet_header_costs_only_its_own_packet() -> None:
    frames = [frame(ipfix(number)) for number in range(5)]
    octets = bytearray(capture(frames))
    second = 24 + 16 + len(frames[0])
    octets[second + 8 : second + 12] = b"\xff\xff\xff\xff"
    assert payloads(bytes(octets)) == [ipfix(number) for number in (0, 2, 3, 4)]
    assert problems(bytes(octets)) == [(second, pcap.DAMAGE, 1)]


def test_a_damaged_packet_header_is_searched_past_in_either_byte_order_and_small_chunks(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(window, "CHUNK_OCTETS", 31)
    frames = [frame(ipfix(number)) for number in range(5)]
    octets = bytearray(capture(frames, order=">"))
    second = 24 + 16 + len(frames[0])
    octets[second + 8 : second + 12] = b"\xff\xff\xff\xff"
    assert payloads(bytes(octets)) == [ipfix(number) for number in (0, 2, 3, 4)]


def test_damage_up_to_the_end_is_noted_once() -> None:
    octets = capture(FRAMES[:1]) + b"\xff" * 1_000
    assert payloads(octets) == THREE[:1]
    assert problems(octets) == [(24 + 16 + len(FRAMES[0]), pcap.DAMAGED_END, 1)]


def test_zeros_at_the_end_are_damage_and_no_packets() -> None:
    # Space that a crashed capture had reserved and never written.
    octets = capture(FRAMES) + bytes(10_000)
    assert payloads(octets) == THREE
    assert [what for _, what, _ in problems(octets)] == [pcap.DAMAGED_END]


def test_a_packet_cut_by_the_snap_length_is_left_out_and_counted() -> None:
    octets = capture([*FRAMES, frame(ipfix(9, bytes(400))), frame(ipfix(10, bytes(400)))], snap_length=200)
    assert payloads(octets) == THREE
    assert [(what, count) for _, what, count in problems(octets)] == [(packets.CUT_SHORT, 2)]


def test_other_udp_traffic_is_ignored_and_counted_once() -> None:
    octets = capture([frame(b"hello, this is a syslog line"), *FRAMES, frame(b"another line of it")])
    assert payloads(octets) == THREE
    assert problems(octets) == [(82, packets.NOT_AN_EXPORT, 2)]


def test_exports_are_known_on_any_port() -> None:
    octets = capture([frame(b"")[:34] + struct.pack(">HHHH", 53, 53, 8 + len(ipfix()), 0) + ipfix()])
    octets = octets.replace(struct.pack(">H", 28), struct.pack(">H", 28 + len(ipfix())), 1)
    assert payloads(octets) == [ipfix()]


def test_a_damaged_message_of_a_known_exporter_is_passed_on_to_be_counted() -> None:
    damaged = b"\x00\x0a\xff\xff" + bytes(20)
    assert payloads(capture([frame(ipfix(0)), frame(damaged)])) == [ipfix(0), damaged]


def test_an_unknown_link_type_is_one_clear_error() -> None:
    with pytest.raises(ExportError, match=r"^file at octet 20: captured on a link of type 147"):
        read(capture(FRAMES, link_type=147))


def test_a_cut_off_file_header_is_one_clear_error() -> None:
    with pytest.raises(ExportError, match="ends inside its header"):
        read(capture([])[:20])


def test_link_type_flags_above_16_bits_are_no_part_of_the_type() -> None:
    # The upper bits tell the length of a frame check sequence (from memory).
    assert payloads(capture(FRAMES, link_type=0x14000001)) == THREE
