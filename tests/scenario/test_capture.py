"""Containers, read by scapy and by the standard library."""

from __future__ import annotations

import io
import struct
import tomllib

import pytest
from scapy.layers.inet import IP, UDP
from scapy.layers.inet6 import IPv6
from scapy.utils import rdpcap

from flowdiag.collector.frames import ipv4_header
from flowdiag.scenario.capture import pcap_bytes
from flowdiag.scenario.exporting import Message
from flowdiag.scenario.library import FERRY_OFFICE, backup_in_the_afternoon
from flowdiag.scenario.site import Site, SiteLink, profile_toml

MESSAGES = [Message(1_772_496_000_123, b"\x00\x0a\x00\x10" + bytes(12)), Message(1_772_496_001_456, b"odd")]


@pytest.mark.parametrize("big_endian", [False, True])
@pytest.mark.parametrize("nanoseconds", [False, True])
def test_a_capture_holds_udp_from_the_exporter(big_endian: bool, nanoseconds: bool) -> None:
    raw = pcap_bytes(MESSAGES, "192.0.2.10", big_endian=big_endian, nanoseconds=nanoseconds)
    packets = rdpcap(io.BytesIO(raw))
    assert [bytes(packet[UDP].payload) for packet in packets] == [message.payload for message in MESSAGES]
    assert {packet[IP].src for packet in packets} == {"192.0.2.10"}
    assert [round(float(packet.time) * 1000) for packet in packets] == [
        message.time_ms for message in MESSAGES
    ]


def test_checksums_are_those_scapy_computes() -> None:
    v4 = rdpcap(io.BytesIO(pcap_bytes(MESSAGES, "192.0.2.10")))[1]
    v6 = rdpcap(io.BytesIO(pcap_bytes(MESSAGES, "2001:db8::10")))[1]
    for packet, layer, name in ((v4, IP, "chksum"), (v6, UDP, "chksum")):
        sent = getattr(packet[layer], name)
        again = packet.copy()
        delattr(again[layer], name)
        assert type(packet)(bytes(again))[layer].chksum == sent
    assert v6[IPv6].plen == 8 + 3


def test_the_header_checksum_of_a_published_example() -> None:
    # Header of RFC 1071's arithmetic: all 16-bit words of a right header add up to ffff in one's complement.
    words = struct.unpack("!10H", ipv4_header(bytes([192, 0, 2, 1]), bytes([192, 0, 2, 2]), 100, 77))
    total = sum(words)
    assert (total & 0xFFFF) + (total >> 16) == 0xFFFF


def test_the_profile_is_toml_with_what_the_site_has() -> None:
    parsed = tomllib.loads(profile_toml(FERRY_OFFICE))
    assert parsed["site"]["timezone"] == "Pacific/Auckland"
    assert [link["name"] for link in parsed["link"]] == ["fibre", "lte"]
    assert parsed["link"][1]["keepalive"][0]["interval_s"] == 10
    assert parsed["label"][0] == {"network": "192.168.40.20/32", "name": "ticket-hall archive"}
    awkward = Site('A "quoted" \\ name', (SiteLink("l", 1.5, 1),), thresholds={"full": 0.8})
    again = tomllib.loads(profile_toml(awkward))
    assert again["site"]["name"] == 'A "quoted" \\ name'
    assert again["thresholds"] == {"full": 0.8}


def test_the_demo_situation_is_what_its_story_says() -> None:
    situation = backup_in_the_afternoon()
    truth = situation.truth()
    (episode,) = truth.episodes(0, 1, 0.9)
    assert truth.episodes(0, 0, 0.7) == []
    octets = truth.host_octets(episode.start_ms, episode.end_ms, 0, (1,))
    largest = max(octets, key=octets.__getitem__)
    assert truth.address_text(largest) == "192.168.40.20"
    assert octets[largest] / sum(octets.values()) > 0.9
    minutes = (episode.end_ms - episode.start_ms) / 60_000
    # 5200 MB at 20 Mbit/s less framing: 5200 * 8 / (20 * 1500/1518 * 0.985 - 1.4) s is about 38 minutes.
    assert 34 <= minutes <= 40
