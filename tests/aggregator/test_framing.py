"""Framing against IEEE 802.3 arithmetic, RFC 2516, RFC 2544 appendix B and RFC 5180 A.1."""

from __future__ import annotations

import numpy as np
import pytest

from flowdiag.aggregator.framing import wire_octets
from flowdiag.site.profile import Framing


def per_packet(ip_octets: float, framing: Framing) -> float:
    return float(wire_octets(np.array([ip_octets * 3]), np.array([3.0]), framing)[0]) / 3


@pytest.mark.parametrize(
    ("ip_octets", "frame", "line"),
    [
        (40, 64, 84),
        (52, 70, 90),
        (100, 118, 138),
        (200, 218, 238),
        (576, 594, 614),
        (1280, 1298, 1318),
        (1500, 1518, 1538),
    ],
)
def test_frames_and_line_octets_of_common_packets(ip_octets: int, frame: int, line: int) -> None:
    assert per_packet(ip_octets, "ip") == ip_octets
    assert per_packet(ip_octets, "ethernet") == frame
    assert per_packet(ip_octets, "wire") == line


@pytest.mark.parametrize(
    ("frame", "frames_a_second"),
    [(64, 148_809), (128, 84_459), (512, 23_496), (1024, 11_973), (1518, 8_127)],
)
def test_frames_a_second_at_100_mbit_are_those_of_rfc_2544_and_5180(frame: int, frames_a_second: int) -> None:
    assert int(100e6 / 8 / per_packet(frame - 18, "wire")) == frames_a_second


@pytest.mark.parametrize(
    ("ip_octets", "on_the_line", "with_pppoe"), [(200, 95.2, 98.4), (280, 84.8, 86.9), (60, 39.2, 42.4)]
)
def test_kilobits_of_voice_calls(ip_octets: int, on_the_line: float, with_pppoe: float) -> None:
    # G.711 at 20 and 30 ms, G.729 at 20 ms (RFC 3551 4.5); packets a second: 50, 33.3, 50
    packets = 1000 / 30 if ip_octets == 280 else 50
    assert per_packet(ip_octets, "wire") * packets * 8 / 1000 == pytest.approx(on_the_line, abs=0.05)
    assert per_packet(ip_octets, "pppoe") * packets * 8 / 1000 == pytest.approx(with_pppoe, abs=0.05)


def test_pppoe_pads_to_38_octets_of_ip() -> None:
    # 38 of IP and 8 of PPPoE fill the least Ethernet payload of 46 (IEEE 802.3, RFC 2516): 84 on the line
    assert per_packet(28, "pppoe") == 84
    assert per_packet(38, "pppoe") == 84
    assert per_packet(40, "pppoe") == 86


def test_a_flow_is_padded_by_its_mean_packet() -> None:
    # 40 and 1500 octets average 770: no padding, 2 x 18 of header
    assert wire_octets(np.array([1540.0]), np.array([2.0]), "ethernet").tolist() == [1576]
