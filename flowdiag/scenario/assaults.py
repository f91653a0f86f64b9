"""Scans and floods by number and time of their packets, and what looks like them: noise, peers, crawlers, pings.

Sizes and habits are invented (no source) except where a line names one. Times are ms since 1970 UTC.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from flowdiag.scenario.activities import ECHO_PORTS, HTTPS, ICMP, TCP, UDP
from flowdiag.scenario.ledger import FIN_ALL, STEADY
from flowdiag.scenario.scene import Scene

SYN, RST_ACK = 0x02, 0x14
SYN_OCTETS: Final = 60
# A SYN is sent again after 1 s, then after twice as long each time (RFC 6298 2 and 5.5): at 0, 1, 3, 7, 15, 31 and 63 s.
# With an idle timeout of 15 s the first five are one record and the others one each: (begin s, end s, packets).
RETRIES: Final = ((0, 15, 5), (31, 31, 1), (63, 63, 1))
KNOCKED: Final = (22, 23, 80, 443, 445, 3389, 8080)


def scan_with_retries(
    scene: Scene, host: int, from_ms: float, to_ms: float, targets: int, *, port: int
) -> None:
    """One host tries many addresses, nobody answers, and each SYN is sent again for a minute from its port."""
    start = scene.times(from_ms, to_ms - 64_000, targets)
    outside, ports = scene.crowd(targets), scene.ports(targets)
    for begin, end, packets in RETRIES:
        scene.ledger.add(
            start=start + begin * 1000, end=start + end * 1000, inside=host, outside=outside, inside_port=ports,
            outside_port=port, protocol=TCP, kind=STEADY, up_octets=packets * SYN_OCTETS, up_packets=packets,
            up_flags=SYN,
        )  # fmt: skip


def pings(
    scene: Scene,
    host: int,
    targets: NDArray[np.int64],
    from_ms: float,
    to_ms: float,
    *,
    packets: int,
    answered: float,
) -> None:
    """Some pings of 84 octets to each target, a second apart; a part of the targets answers all of them."""
    count = len(targets)
    start = scene.rng.uniform(from_ms, max(to_ms - packets * 1000, from_ms + 1), count)
    there = scene.rng.random(count) < answered
    end = start + (packets - 1) * 1000
    both = {"kind": STEADY, "protocol": ICMP, "inside": host}
    request, reply = ECHO_PORTS
    scene.ledger.add(
        start=start, end=end, outside=targets, outside_port=request, up_octets=packets * 84, up_packets=packets, **both,
    )  # fmt: skip
    if there.any():
        scene.ledger.add(
            start=start[there] + 20, end=end[there] + 20, outside=targets[there], inside_port=reply,
            down_octets=packets * 84, down_packets=packets, **both,
        )  # fmt: skip


def half_open(
    scene: Scene, target: int, from_ms: float, to_ms: float, *, packets_s: float, port: int = HTTPS
) -> None:
    """SYNs from made-up sources, one or two from each; the target answers the first and hears no more."""
    packets = round(packets_s * (to_ms - from_ms) / 1000)
    count = round(packets / 1.5)
    start = scene.times(from_ms, to_ms, count)
    syns = scene.rng.integers(1, 3, count)
    sources = scene.pick(scene.crowd(min(count, 8000)), count)
    scene.ledger.add(
        start=start, end=start + (syns - 1) * 1000, inside=target, outside=sources, inside_port=port,
        outside_port=scene.rng.integers(1024, 65535, count), protocol=TCP, kind=STEADY, down_octets=syns * SYN_OCTETS,
        down_packets=syns, down_flags=SYN, up_octets=44, up_packets=1, up_flags=0x12,
    )  # fmt: skip


def noise(
    scene: Scene,
    target: int,
    from_ms: float,
    to_ms: float,
    *,
    a_second: float,
    ports: Sequence[int] = KNOCKED,
) -> None:
    """Strangers that knock once each, as at any public address; most get no answer, some a refusal."""
    count = round(a_second * (to_ms - from_ms) / 1000)
    start = scene.times(from_ms, to_ms, count)
    refused = scene.rng.random(count) < 0.2
    scene.ledger.add(
        start=start, end=start + 1, inside=target, outside=scene.pick(scene.crowd(min(count, 4000)), count),
        inside_port=scene.rng.choice(np.asarray(ports), count), outside_port=scene.ports(count), protocol=TCP,
        kind=STEADY, down_octets=44, down_packets=1, down_flags=SYN, up_octets=refused * 40, up_packets=refused,
        up_flags=RST_ACK,
    )  # fmt: skip


def peers(scene: Scene, host: int, from_ms: float, to_ms: float, count: int) -> None:
    """A peer-to-peer client calls peers on ports of their own, by TCP and UDP; half of them are gone."""
    start = scene.times(from_ms, to_ms - 40_000, count)
    gone = scene.rng.random(count) < 0.5
    tcp = scene.rng.random(count) < 0.5
    flags = np.where(tcp, np.where(gone, SYN, FIN_ALL), 0)
    packets = np.where(gone, 3, 40)
    scene.ledger.add(
        start=start, end=start + np.where(gone, 3000, 40_000), inside=host, outside=scene.crowd(count),
        inside_port=np.where(tcp, scene.ports(count), 51413), outside_port=scene.rng.integers(1024, 65535, count),
        protocol=np.where(tcp, TCP, UDP), kind=STEADY, up_octets=packets * np.where(gone, 60, 500), up_packets=packets,
        up_flags=flags, down_octets=np.where(gone, 0, 40_000), down_packets=np.where(gone, 0, 45), down_flags=flags,
    )  # fmt: skip


def crawl(
    scene: Scene,
    host: int,
    from_ms: float,
    to_ms: float,
    count: int,
    *,
    refused: float,
    dead: float,
    port: int = HTTPS,
) -> None:
    """One host reaches very many places, a short exchange each; a part refuses, a part does not answer three SYNs."""
    start = scene.times(from_ms, to_ms - 5000, count)
    chance = scene.rng.random(count)
    no, gone = chance < refused, chance > 1.0 - dead
    exchanged = ~(no | gone)
    up = np.select([gone, no], [3, 1], 9)
    scene.ledger.add(
        start=start, end=start + np.select([gone, no], [3000, 40], 1500), inside=host, outside=scene.crowd(count),
        inside_port=scene.ports(count), outside_port=port, protocol=TCP, kind=STEADY,
        up_octets=up * np.where(exchanged, 140, SYN_OCTETS), up_packets=up, up_flags=np.where(exchanged, FIN_ALL, SYN),
        down_octets=np.select([gone, no], [0, 40], 14_000), down_packets=np.select([gone, no], [0, 1], 13),
        down_flags=np.where(exchanged, FIN_ALL, RST_ACK),
    )  # fmt: skip
