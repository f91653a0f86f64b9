"""Link layers. Headers: IEEE 802.1Q, RFC 1661, RFC 1662, RFC 2516; cooked and loopback headers from memory.
scapy as an independent writer where it has the layer.
"""

from __future__ import annotations

import struct

import pytest
from scapy.layers.inet import IP, UDP
from scapy.layers.l2 import CookedLinux, CookedLinuxV2, Dot1AD, Dot1Q, Ether, Loopback
from scapy.layers.ppp import HDLC, PPP, PPPoE

from .builders import ipfix, payloads
from .builders import pcap as capture

PACKET = bytes(IP(src="192.0.2.9", dst="192.0.2.2") / UDP(sport=1, dport=2) / ipfix())
IPV6 = struct.pack(">IHBB", 6 << 28, 8 + len(ipfix()), 17, 64) + bytes(32)
IPV6 += struct.pack(">HHHH", 1, 2, 8 + len(ipfix()), 0) + ipfix()

FRAMES = {
    "untagged": (1, bytes(Ether(type=0x0800)) + PACKET),
    "IPv6": (1, bytes(Ether(type=0x86DD)) + IPV6),
    "802.1Q": (1, bytes(Ether() / Dot1Q(vlan=5, type=0x0800)) + PACKET),
    "802.1ad": (1, bytes(Ether() / Dot1AD(vlan=5) / Dot1Q(vlan=6, type=0x0800)) + PACKET),
    "QinQ 0x9100": (1, bytes(Ether(type=0x9100) / Dot1Q(vlan=5, type=0x8100) / Dot1Q(type=0x0800)) + PACKET),
    "PPPoE": (1, bytes(Ether(type=0x8864) / PPPoE(sessionid=1) / PPP(proto=0x0021)) + PACKET),
    "cooked v1": (113, bytes(CookedLinux(proto=0x0800)) + PACKET),
    "cooked v1 tagged": (113, bytes(CookedLinux(proto=0x8100) / Dot1Q(type=0x0800)) + PACKET),
    "cooked v2": (276, bytes(CookedLinuxV2(proto=0x0800)) + PACKET),
    "cooked v2 IPv6": (276, bytes(CookedLinuxV2(proto=0x86DD)) + IPV6),
    "cooked v2 tagged": (276, bytes(CookedLinuxV2(proto=0x8100) / Dot1Q(type=0x0800)) + PACKET),
    "raw 12": (12, PACKET),
    "raw 14": (14, PACKET),
    "raw 101": (101, PACKET),
    "raw 101 IPv6": (101, IPV6),
    "raw IPv4": (228, PACKET),
    "raw IPv6": (229, IPV6),
    "loopback little-endian": (0, bytes(Loopback(type=2)) + PACKET),
    "loopback big-endian": (0, b"\x00\x00\x00\x02" + PACKET),
    "loopback IPv6": (0, b"\x1e\x00\x00\x00" + IPV6),
    "loop": (108, b"\x00\x00\x00\x02" + PACKET),
    "PPP": (9, bytes(PPP(proto=0x0021)) + PACKET),
    "PPP in HDLC framing": (9, bytes(HDLC() / PPP(proto=0x0021)) + PACKET),
    "PPP in HDLC framing, type 50": (50, bytes(HDLC() / PPP(proto=0x0057)) + IPV6),
    "PPP compressed protocol": (9, b"\x21" + PACKET),
    "HDLC with an EtherType": (50, b"\x0f\x00\x08\x00" + PACKET),
    "PPPoE session": (51, bytes(PPPoE(sessionid=1) / PPP(proto=0x0021)) + PACKET),
}


@pytest.mark.parametrize("name", FRAMES)
def test_the_message_is_found_behind(name: str) -> None:
    link_type, octets = FRAMES[name]
    assert payloads(capture([octets, octets], link_type=link_type)) == [ipfix(), ipfix()]


@pytest.mark.parametrize("name", FRAMES)
def test_a_frame_cut_anywhere_gives_nothing_and_raises_nothing(name: str) -> None:
    link_type, octets = FRAMES[name]
    # The last frame is whole, so that the capture is usable.
    cut = [octets[:length] for length in range(len(octets))]
    assert payloads(capture([*cut, octets], link_type=link_type)) == [ipfix()]


def test_other_ethertypes_and_too_many_tags_are_passed_over() -> None:
    arp = bytes(12) + b"\x08\x06" + bytes(46)
    tags = bytes(12) + b"\x81\x00\x00\x01" * 40 + b"\x08\x00" + PACKET
    assert payloads(capture([arp, tags, FRAMES["untagged"][1]])) == [ipfix()]
