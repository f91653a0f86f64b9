"""What people and machines at a site do on an ordinary day. Rates are Mbit/s of IP octets, times ms since
1970 UTC.

Sizes and habits are invented (no source) except where a line names one. Every function adds to the scene's
ledger and returns the numbers of the conversations it added, where anyone needs them.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from flowdiag.scenario.ledger import (
    APPLICATIONS,
    BULK_DOWN,
    BULK_UP,
    BY_ROUTE,
    FIN_ALL,
    LOCAL,
    STEADY,
    TRAIN,
)
from flowdiag.scenario.scene import HOUR, Scene
from flowdiag.scenario.site import SiteKeepalive

ICMP, TCP, UDP, ICMP6 = 1, 6, 17, 58
HTTPS, DNS, MAIL_SUBMISSION, IPSEC_NAT, REMOTE_DESKTOP, FILE_SHARE = 443, 53, 587, 4500, 3389, 445
OCTETS_PER_MBIT: Final = 125_000.0  # octets a second of one Mbit/s

# RFC 3551: PCMU at 20 ms is 50 packets a second of 160 octets; with RTP, UDP and IPv4 headers 200 IP octets.
RTP_PACKETS_PER_S, RTP_OCTETS = 50, 200
# Echo request and reply as ICMP type * 256 + code in the destination port (common exporter practice).
ECHO_PORTS: Final = (8 << 8, 0)
ECHO6_PORTS: Final = (128 << 8, 129 << 8)
BULK_OCTETS: Final = 250_000  # a web object larger than this competes for the link; smaller ones just happen


def app(name: str) -> int:
    return APPLICATIONS.index(name)


def web(
    scene: Scene,
    from_ms: float,
    to_ms: float,
    mbps: float,
    *,
    hosts: Sequence[int] | None = None,
    per_host_hour: float = 120,
    v6_share: float = 0.25,
    link: int = BY_ROUTE,
) -> None:
    """Browsing: heavy-tailed downloads over HTTPS that add up to about mbps on average, requests a twentieth
    of that.
    """
    rng = scene.rng
    inside = np.asarray(scene.hosts if hosts is None else hosts)
    count = max(int(len(inside) * per_host_hour * (to_ms - from_ms) / HOUR), 1)
    sizes = np.minimum(rng.lognormal(0, 1.4, count), 30)
    sizes *= mbps * OCTETS_PER_MBIT * (to_ms - from_ms) / 1000 / sizes.sum()
    sizes = np.maximum(sizes, 600)
    start = scene.times(from_ms, to_ms, count)
    chosen = rng.integers(0, len(inside), count)
    who = inside[chosen]
    servers = scene.pick(scene.servers(40), count)
    if scene.hosts6 and hosts is None and v6_share:
        on_v6 = rng.random(count) < v6_share
        who = np.where(on_v6, np.asarray(scene.hosts6)[chosen], who)
        servers = np.where(on_v6, scene.pick(scene.servers(20, v6=True), count), servers)
    plan = scene.site.links[max(link, 0)].down_mbps
    pace = rng.uniform(0.04, 0.3, count) * plan * OCTETS_PER_MBIT
    small = sizes < BULK_OCTETS
    common = {"inside": who, "outside": servers, "inside_port": scene.ports(count), "start": start}
    duration = np.maximum(sizes / pace * 1000, 40) + rng.exponential(900, count)
    packets = np.ceil(sizes / 1400) + 3
    requests = np.maximum(sizes / 20, 400)
    for part, kind in ((small, STEADY), (~small, BULK_DOWN)):
        if part.any():
            scene.ledger.add(
                **{name: value[part] for name, value in common.items()},
                end=(start + duration)[part], kind=kind, outside_port=HTTPS, protocol=TCP, link=link,
                down_octets=sizes[part] + 40 * packets[part] * (kind == STEADY), down_packets=packets[part],
                up_octets=requests[part], up_packets=np.ceil(packets[part] / 2) + 2, cap=pace[part],
                down_flags=FIN_ALL, up_flags=FIN_ALL, application=app("web"),
            )  # fmt: skip


def dns(
    scene: Scene,
    from_ms: float,
    to_ms: float,
    *,
    per_host_hour: float = 40,
    resolver: str = "198.51.100.53",
    answered: float = 1.0,
    hosts: Sequence[int] | None = None,
) -> None:
    """One query and, for the answered part, one answer each."""
    inside = scene.hosts if hosts is None else hosts
    count = max(int(len(inside) * per_host_hour * (to_ms - from_ms) / HOUR), 1)
    start = scene.times(from_ms, to_ms, count)
    has_answer = scene.rng.random(count) < answered
    scene.ledger.add(
        start=start, end=start + scene.rng.uniform(8, 60, count), inside=scene.pick(inside, count),
        outside=scene.outside(resolver), inside_port=scene.ports(count), outside_port=DNS, protocol=UDP,
        kind=STEADY,
        up_octets=scene.rng.integers(55, 80, count), up_packets=1,
        down_octets=has_answer * scene.rng.integers(90, 300, count), down_packets=has_answer,
        application=app("dns"),
    )  # fmt: skip


def call(
    scene: Scene, host: int, from_ms: float, to_ms: float, *, dscp: int = 0, outside: int | None = None
) -> NDArray[np.int64]:
    """A voice call: RTP of G.711 both ways, 80 kbit/s of IP octets a direction (RFC 3551)."""
    packets = (to_ms - from_ms) / 1000 * RTP_PACKETS_PER_S
    return scene.ledger.add(
        start=from_ms, end=to_ms, inside=host, outside=scene.servers(1)[0] if outside is None else outside,
        inside_port=int(scene.rng.integers(8192, 16383)) * 2, outside_port=int(scene.rng.integers(8192,
        16383)) * 2,
        protocol=UDP, kind=STEADY, down_octets=packets * RTP_OCTETS, up_octets=packets * RTP_OCTETS,
        down_packets=packets, up_packets=packets, dscp=dscp, application=app("video-call"),
    )  # fmt: skip


def video_call(
    scene: Scene, host: int, from_ms: float, to_ms: float, *, mbps: float = 1.4, dscp: int = 0
) -> NDArray[np.int64]:
    """A video call: UDP both ways in packets of about 1000 octets, with a voice stream beside it."""
    call(scene, host, from_ms, to_ms, dscp=dscp)
    octets = mbps * OCTETS_PER_MBIT * (to_ms - from_ms) / 1000
    return scene.ledger.add(
        start=from_ms, end=to_ms, inside=host, outside=scene.servers(1)[0],
        inside_port=int(scene.ports(1)[0]), outside_port=3480, protocol=UDP, kind=STEADY, down_octets=octets,
        up_octets=octets * 0.9, down_packets=octets / 1050, up_packets=octets * 0.9 / 1050, dscp=dscp,
        application=app("video-call"),
    )  # fmt: skip


def upload(
    scene: Scene,
    host: int,
    start_ms: float,
    megabytes: float,
    *,
    outside: int | None = None,
    cap_mbps: float = np.inf,
    connections: int = 1,
    application: str = "backup",
    port: int = HTTPS,
    link: int = BY_ROUTE,
) -> NDArray[np.int64]:
    """Sends so many MB (10^6 octets) over TCP, split over parallel connections."""
    return scene.ledger.add(
        start=start_ms + scene.rng.uniform(0, 500, connections), inside=host,
        outside=scene.servers(1)[0] if outside is None else outside, inside_port=scene.ports(connections),
        outside_port=port, protocol=TCP, kind=BULK_UP, up_octets=megabytes * 1e6 / connections,
        cap=cap_mbps * OCTETS_PER_MBIT / connections, segment=_segment(scene), link=link, down_flags=FIN_ALL,
        up_flags=FIN_ALL, application=app(application),
    )  # fmt: skip


def download(
    scene: Scene,
    host: int,
    start_ms: float,
    megabytes: float,
    *,
    outside: int | NDArray[np.int64] | None = None,
    cap_mbps: float = np.inf,
    connections: int = 1,
    application: str = "web",
    link: int = BY_ROUTE,
) -> NDArray[np.int64]:
    """Fetches so many MB (10^6 octets) over HTTPS, split over parallel connections."""
    return scene.ledger.add(
        start=start_ms + scene.rng.uniform(0, 500, connections), inside=host,
        outside=scene.servers(1)[0] if outside is None else outside, inside_port=scene.ports(connections),
        outside_port=HTTPS, protocol=TCP, kind=BULK_DOWN, down_octets=megabytes * 1e6 / connections,
        cap=cap_mbps * OCTETS_PER_MBIT / connections, segment=_segment(scene), link=link, down_flags=FIN_ALL,
        up_flags=FIN_ALL, application=app(application),
    )  # fmt: skip


def _segment(scene: Scene) -> float:
    return 1492.0 if scene.site.links[0].framing == "pppoe" else 1500.0  # RFC 2516 7: MTU 1492


def streaming(
    scene: Scene, host: int, from_ms: float, to_ms: float, mbps: float, *, outside: int | None = None
) -> NDArray[np.int64]:
    """A video stream that the player keeps at its own rate, in 1400-octet packets."""
    octets = mbps * OCTETS_PER_MBIT * (to_ms - from_ms) / 1000
    return scene.ledger.add(
        start=from_ms, end=to_ms, inside=host, outside=scene.servers(1)[0] if outside is None else outside,
        inside_port=int(scene.ports(1)[0]), outside_port=HTTPS, protocol=TCP, kind=STEADY, down_octets=octets,
        down_packets=octets / 1400, up_octets=octets / 1400 / 2 * 40, up_packets=octets / 1400 / 2,
        down_flags=FIN_ALL, up_flags=FIN_ALL, application=app("streaming"),
    )  # fmt: skip


def vpn(scene: Scene, host: int, from_ms: float, to_ms: float, mbps: float = 0.05) -> NDArray[np.int64]:
    """An IPsec tunnel in UDP, a little of everything both ways."""
    octets = mbps * OCTETS_PER_MBIT * (to_ms - from_ms) / 1000
    return scene.ledger.add(
        start=from_ms, end=to_ms, inside=host, outside=scene.servers(1)[0], inside_port=IPSEC_NAT,
        outside_port=IPSEC_NAT, protocol=UDP, kind=STEADY, down_octets=octets, up_octets=octets * 0.4,
        down_packets=octets / 600, up_packets=octets / 600, application=app("vpn"),
    )  # fmt: skip


def remote_desktop(scene: Scene, host: int, from_ms: float, to_ms: float) -> NDArray[np.int64]:
    """A remote desktop session, 0.3 Mbit/s down and 0.03 up."""
    seconds = (to_ms - from_ms) / 1000
    return scene.ledger.add(
        start=from_ms, end=to_ms, inside=host, outside=scene.servers(1)[0],
        inside_port=int(scene.ports(1)[0]),
        outside_port=REMOTE_DESKTOP, protocol=TCP, kind=STEADY, down_octets=seconds * 37_500,
        up_octets=seconds * 3750,
        down_packets=seconds * 60, up_packets=seconds * 50, down_flags=FIN_ALL, up_flags=FIN_ALL,
    )  # fmt: skip


def mail(scene: Scene, from_ms: float, to_ms: float, count: int) -> None:
    """Mail submissions of some hundred kB at an easy pace."""
    start = scene.times(from_ms, to_ms, count)
    sizes = scene.rng.lognormal(np.log(80_000), 0.8, count)
    scene.ledger.add(
        start=start, end=start + 2000 + sizes / 50, inside=scene.pick(scene.hosts, count),
        outside=scene.servers(1)[0], inside_port=scene.ports(count), outside_port=MAIL_SUBMISSION,
        protocol=TCP,
        kind=STEADY, up_octets=sizes, up_packets=np.ceil(sizes / 1400), down_octets=2500, down_packets=18,
        down_flags=FIN_ALL, up_flags=FIN_ALL, application=app("mail"),
    )  # fmt: skip


def local_copy(scene: Scene, host: int, server: int, from_ms: float, to_ms: float, mbps: float) -> None:
    """A file copy between two LAN hosts that the router sees, on no link."""
    octets = mbps * OCTETS_PER_MBIT * (to_ms - from_ms) / 1000
    scene.ledger.add(
        start=from_ms, end=to_ms, inside=host, outside=server, inside_port=int(scene.ports(1)[0]),
        outside_port=FILE_SHARE, protocol=TCP, kind=STEADY, up_octets=octets, up_packets=octets / 1500,
        down_octets=octets / 75, down_packets=octets / 3000, link=LOCAL, down_flags=FIN_ALL, up_flags=FIN_ALL,
    )  # fmt: skip


def keepalive(
    scene: Scene,
    link: int,
    spec: SiteKeepalive,
    from_ms: float,
    to_ms: float,
    *,
    answered: bool = True,
    interval_s: float | None = None,
    packet_octets: float | None = None,
    source: str | None = None,
) -> None:
    """The router's keepalives on a link: one packet each interval and, if answered, one back 40 ms later."""
    interval = (interval_s or spec.interval_s) * 1000
    size = packet_octets or spec.packet_bytes or 84
    sent = np.arange(from_ms + scene.rng.uniform(0, interval), to_ms, interval)
    sent = sent + scene.rng.normal(0, min(interval / 100, 50), len(sent))
    inside = scene.outside(source or scene.site.exporter)
    common = {"start": from_ms, "end": to_ms, "link": link, "kind": TRAIN, "inside": inside,
              "outside": scene.outside(spec.destination), "up_flags": 0x10, "down_flags": 0x10,
              "application": app("ping") if spec.protocol == "icmp" else 0}  # fmt: skip
    if spec.protocol == "icmp":
        protocol, request, reply = (ICMP6, *ECHO6_PORTS) if ":" in spec.destination else (ICMP, *ECHO_PORTS)
        out = scene.ledger.add(protocol=protocol, outside_port=request, **common)
        back = scene.ledger.add(protocol=protocol, inside_port=reply, **common)
    else:
        protocol = UDP if spec.protocol == "udp" else TCP
        out = back = scene.ledger.add(protocol=protocol, inside_port=51820, outside_port=spec.port, **common)
    scene.ledger.add_packets(int(out[0]), sent, 1, size)
    if answered:
        scene.ledger.add_packets(int(back[0]), sent + 40, 0, size)


def office(scene: Scene, from_ms: float, to_ms: float, mbps: float) -> None:
    """An ordinary office: browsing at about mbps on average, names, some mail, a tunnel, a remote desktop session."""
    web(scene, from_ms, to_ms, mbps)
    dns(scene, from_ms, to_ms)
    hours = (to_ms - from_ms) / HOUR
    mail(scene, from_ms, to_ms, max(int(len(scene.hosts) * 2 * hours), 1))
    vpn(scene, scene.hosts[0], from_ms, to_ms, min(0.05, mbps / 20))
    if mbps > 1:
        remote_desktop(scene, scene.hosts[-1], from_ms, to_ms)
