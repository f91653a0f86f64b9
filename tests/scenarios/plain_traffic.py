"""The same questions asked with the simplest traffic: flows at constant rates, as a bare generator would write them."""

from __future__ import annotations

from typing import Any

from flowdiag.scenario.ledger import BY_ROUTE, FIN_ALL, STEADY
from flowdiag.scenario.site import OVERHEAD_OCTETS
from tests.scenarios.stage import Stage

PACKET = 1400
ROOMY = ((100, 20), (100, 40), (250, 25), (300, 100))


def flow(
    s: Stage,
    host: int,
    begin: float,
    end: float,
    *,
    server: int | None = None,
    down: float = 0.0,
    up: float = 0.0,
    port: int = 443,
    inside_port: int | None = None,
    protocol: int = 6,
    dscp: int = 0,
    link: int = BY_ROUTE,
    packet: int = PACKET,
) -> None:
    """One conversation at constant rates (Mbit/s with the first link's framing), begin and end in minutes.

    server: another one each time unless it is given.
    """
    if server is None:
        server = int(s.scene.servers(1)[0])
    link_framing = s.the_site.links[max(link, 0)].framing
    part = packet / (packet + OVERHEAD_OCTETS[link_framing])
    seconds = (end - begin) * 60
    octets = {"down": down * part * 125_000 * seconds, "up": up * part * 125_000 * seconds}
    columns: dict[str, Any] = {}
    for way, other in (("down", "up"), ("up", "down")):
        packets = octets[way] / packet
        answers = octets[other] / packet / 2 if protocol == 6 else 0.0
        columns[f"{way}_octets"] = octets[way] + 40 * answers
        columns[f"{way}_packets"] = packets + answers
    s.scene.ledger.add(
        start=s.at(begin), end=s.at(end), inside=host, outside=server,
        inside_port=int(s.scene.ports(1)[0]) if inside_port is None else inside_port, outside_port=port,
        protocol=protocol, kind=STEADY, dscp=dscp, link=link,
        down_flags=FIN_ALL if protocol == 6 else 0, up_flags=FIN_ALL if protocol == 6 else 0, **columns,
    )  # fmt: skip


def plan(s: Stage) -> tuple[float, float]:
    link = s.the_site.links[0]
    return link.down_mbps, link.up_mbps
