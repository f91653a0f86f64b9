"""What goes wrong at a site beyond a full link: unanswered services, floods, scans; and what only looks like
it.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from flowdiag.scenario.activities import DNS, FILE_SHARE, HTTPS, TCP, UDP, app
from flowdiag.scenario.ledger import BULK_DOWN, FIN_ALL, NO_EGRESS, STEADY
from flowdiag.scenario.scene import Scene

SYN, RST_ACK = 0x02, 0x14


def unanswered(
    scene: Scene,
    hosts: Sequence[int],
    from_ms: float,
    to_ms: float,
    attempts: int,
    *,
    server: str = "203.0.113.25",
    port: int = HTTPS,
) -> None:
    """TCP attempts that nobody answers: three SYNs of 60 octets over three seconds each (RFC 6298: 1 s, then
    doubled).
    """
    start = scene.times(from_ms, to_ms, attempts)
    scene.ledger.add(
        start=start, end=start + 3000, inside=scene.pick(hosts, attempts), outside=scene.outside(server),
        inside_port=scene.ports(attempts), outside_port=port, protocol=TCP, kind=STEADY, up_octets=180,
        up_packets=3,
        up_flags=SYN, application=app("web") if port == HTTPS else 0,
    )  # fmt: skip


def stranded(scene: Scene, from_ms: float, to_ms: float, per_minute: float) -> None:
    """Attempts while no link is up: the router meters them at its LAN side and has nowhere to send them."""
    count = max(int((to_ms - from_ms) / 60_000 * per_minute), 1)
    start = scene.times(from_ms, to_ms, count)
    scene.ledger.add(
        start=start, end=start + 3000, inside=scene.pick(scene.hosts, count),
        outside=scene.pick(scene.servers(9), count),
        inside_port=scene.ports(count), outside_port=HTTPS, protocol=TCP, kind=STEADY, up_octets=180,
        up_packets=3,
        up_flags=SYN, link=NO_EGRESS,
    )  # fmt: skip


def flood(
    scene: Scene,
    target: int,
    from_ms: float,
    to_ms: float,
    *,
    sources: int,
    packets_per_s: float,
    packet_octets: float = 60,
    tcp: bool = True,
    port: int = HTTPS,
) -> None:
    """Packets from many sources to one inside address and port, nothing or nearly nothing back."""
    seconds = (to_ms - from_ms) / 1000
    per_source = packets_per_s * seconds / sources
    start = scene.rng.uniform(from_ms, from_ms + 0.3 * (to_ms - from_ms), sources)
    end = scene.rng.uniform(from_ms + 0.7 * (to_ms - from_ms), to_ms, sources)
    # Sources come and go at the edges but send at one rate, so that the middle of the flood is level.
    packets = per_source * (end - start) / (to_ms - from_ms) * 1.3
    scene.ledger.add(
        start=start, end=end, inside=target, outside=scene.crowd(sources), inside_port=port,
        outside_port=scene.rng.integers(1024, 65535, sources), protocol=TCP if tcp else UDP, kind=STEADY,
        down_octets=packets * packet_octets, down_packets=packets, down_flags=SYN if tcp else 0,
    )  # fmt: skip


def scan(
    scene: Scene,
    host: int,
    from_ms: float,
    to_ms: float,
    targets: int,
    *,
    port: int = FILE_SHARE,
    answered: float = 0.02,
    packets: int = 1,
    packet_octets: float = 60,
) -> None:
    """One host tries very many addresses, a packet or two each; a few answer with a reset."""
    start = scene.times(from_ms, to_ms - 2000, targets)
    hit = scene.rng.random(targets) < answered
    scene.ledger.add(
        start=start, end=start + 1000, inside=host, outside=scene.crowd(targets),
        inside_port=scene.ports(targets),
        outside_port=port, protocol=TCP, kind=STEADY, up_octets=packets * packet_octets, up_packets=packets,
        up_flags=SYN, down_octets=hit * 40, down_packets=hit, down_flags=RST_ACK,
    )  # fmt: skip


def peer_to_peer(scene: Scene, host: int, from_ms: float, to_ms: float, peers: int, mbps_down: float) -> None:
    """One host exchanges real data with many peers, both ways, for minutes each."""
    start = scene.rng.uniform(from_ms, from_ms + 0.6 * (to_ms - from_ms), peers)
    end = np.minimum(start + scene.rng.uniform(120_000, 900_000, peers), to_ms)
    seconds = (end - start) / 1000
    weight = scene.rng.lognormal(0, 1, peers) * seconds
    down = weight / weight.sum() * mbps_down * 125_000 * (to_ms - from_ms) / 1000
    up = down * 0.3 + 3000
    scene.ledger.add(
        start=start, end=end, inside=host, outside=scene.crowd(peers), inside_port=51413,
        outside_port=scene.rng.integers(1024, 65535, peers), protocol=UDP, kind=STEADY,
        down_octets=down + 2000,
        down_packets=np.ceil(down / 1300) + 10, up_octets=up, up_packets=np.ceil(down / 2600) + 12,
    )  # fmt: skip


def resolver(scene: Scene, host: int, from_ms: float, to_ms: float, servers: int, queries: int) -> None:
    """A name server of the site's own: one packet each way with thousands of servers, nearly all answered."""
    start = scene.times(from_ms, to_ms - 100, queries)
    answered = scene.rng.random(queries) < 0.97
    scene.ledger.add(
        start=start, end=start + 40, inside=host, outside=scene.pick(scene.crowd(servers), queries),
        inside_port=scene.ports(queries), outside_port=DNS, protocol=UDP, kind=STEADY, up_octets=75,
        up_packets=1,
        down_octets=answered * 230, down_packets=answered, application=app("dns"),
    )  # fmt: skip


def content_network(
    scene: Scene, host: int, from_ms: float, servers: int, megabytes: float, cap_mbps: float
) -> None:
    """An update fetched from very many cache servers at once: many sources, one target, but asked for and
    acknowledged.
    """
    scene.ledger.add(
        start=from_ms + scene.rng.uniform(0, 60_000, servers), inside=host, outside=scene.crowd(servers),
        inside_port=scene.ports(servers), outside_port=HTTPS, protocol=TCP, kind=BULK_DOWN,
        down_octets=megabytes * 1e6 / servers, cap=cap_mbps * 125_000 / servers, down_flags=FIN_ALL,
        up_flags=FIN_ALL,
        application=app("web"),
    )  # fmt: skip


def mail_out(scene: Scene, host: int, from_ms: float, to_ms: float, servers: int) -> None:
    """A mail server delivers to very many other servers, each one answering."""
    start = scene.times(from_ms, to_ms - 5000, servers)
    sizes = scene.rng.lognormal(np.log(15_000), 0.7, servers)
    scene.ledger.add(
        start=start, end=start + 2500, inside=host, outside=scene.crowd(servers),
        inside_port=scene.ports(servers),
        outside_port=25, protocol=TCP, kind=STEADY, up_octets=sizes, up_packets=np.ceil(sizes / 1400) + 8,
        down_octets=1500, down_packets=14, down_flags=FIN_ALL, up_flags=FIN_ALL, application=app("mail"),
    )  # fmt: skip
