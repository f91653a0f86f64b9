"""Chatter on a backup: small packets at a low rate to one or two destinations, through the export; which of it is a keepalive.

Shared by the link states; this module alleges nothing itself. Chatter is no ordinary traffic, whatever it is. A keepalive
that the profile does not list is named only where both are those of one:
- the size: a ping is 84 IP octets, a check by TCP sends 40 to 60 a packet, a small heartbeat up to 150; either way;
- the pace: one every second to one every minute, steadily.
(Common practice, no source.) The time service is as small and as steady and is left out by its port (RFC 5905 7.2).
"""

from __future__ import annotations

from typing import Final

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from flowdiag.aggregator.probe_pace import steady_interval_ms
from flowdiag.aggregator.site_flows import DOWN, UP, SiteFlows
from flowdiag.diagnoser.signals.conversations import ICMP, ICMPV6, TCP, UDP, distinct

# Chatter: at most this rate, in packets of at most this mean size (a ping is 84 octets, an encrypted
# heartbeat 100 to 300). Common practice, no source.
CHATTER_BITS_S: Final = 2_000
CHATTER_PACKET_OCTETS: Final = 300
# It goes on through at least half of the export, never silent for more than a quarter of it.
STEADY_SPAN: Final = 0.5
STEADY_SILENCE: Final = 0.25
STEADY_RECORDS: Final = 5
# A health check watches one or two destinations; many at once are somebody's traffic.
MOST_DESTINATIONS: Final = 2
_MOST_TO_LOOK_AT: Final = 20

KEEPALIVE_PACKET_OCTETS: Final = 150
# An interval of a second or of a minute as routers keep it, a twentieth off. Time servers are asked every 64 s.
LEAST_INTERVAL_MS: Final = 950
MOST_INTERVAL_MS: Final = 63_000
_WITH_PORT: Final = (TCP, UDP)
_PROTOCOLS: Final = (ICMP, ICMPV6, TCP, UDP)
_TIME_SERVICE: Final = (UDP, 123)


class Candidate(Struct, frozen=True):
    """Chatter on a backup with the size and the pace of a keepalive which the profile does not list.

    link: by position. port: the outside one, -1 where the protocol has none or it is unknown.
    """

    link: int
    address: bytes
    protocol: int
    port: int
    interval_s: float
    packet_octets: int


def chatter(flows: SiteFlows, rows: NDArray[np.intp], span_ms: int) -> list[NDArray[np.intp]]:
    """Of a backup's rows those of each destination that is chattered with, by start; none where there are many such destinations.

    A destination is an outside address by one protocol. It is judged by all that goes to and fro: the small half of a large
    transfer is no chatter. span_ms: how long the exporter was heard.
    """
    if len(rows) < STEADY_RECORDS or span_ms == 0:
        return []
    rows = rows[_small(flows, rows)]
    rows = rows[_lonely(flows, rows, span_ms)[flows.outside[rows]]]
    if distinct(flows.outside[rows], len(flows.addresses)) > _MOST_TO_LOOK_AT:
        return []
    destination_of = _destinations(flows, rows)
    destinations, count = np.unique(destination_of, return_counts=True)
    found = []
    for destination in destinations[count >= STEADY_RECORDS]:
        own = rows[destination_of == destination]
        own = own[np.argsort(flows.start_ms[own], kind="stable")]
        if _goes_on(flows, own, span_ms):
            found.append(own)
    return found if len(found) <= MOST_DESTINATIONS else []


def keepalive_candidate(
    flows: SiteFlows, link: int, rows: NDArray[np.intp], sampling: float
) -> Candidate | None:
    """The keepalive that chatter may be; None where size or pace are not those of one, or cannot be seen.

    rows: those of one destination, by start. Of a sampled export the pace is not known.
    """
    first = rows[0]
    protocol = int(flows.protocol[first])
    port = int(flows.outside_port[first]) if protocol in _WITH_PORT else -1
    if sampling > 1 or protocol not in _PROTOCOLS or (protocol, port) == _TIME_SERVICE:
        return None
    ways = [rows[flows.direction[rows] == direction] for direction in (UP, DOWN)]
    ways = [way for way in ways if len(way)]
    if any(_mean_octets(flows, way) > KEEPALIVE_PACKET_OCTETS for way in ways):
        return None
    # Many routers do not meter what they send themselves; its answers keep the same pace.
    sent = ways[0]
    interval_ms = steady_interval_ms(
        flows.start_ms[sent], flows.end_ms[sent], flows.packets[sent], connections=protocol == TCP
    )
    if interval_ms is None or not LEAST_INTERVAL_MS <= interval_ms <= MOST_INTERVAL_MS:
        return None
    return Candidate(
        link=link,
        address=flows.addresses[int(flows.outside[first])],
        protocol=protocol,
        port=port,
        interval_s=interval_ms / 1000.0,
        packet_octets=round(_mean_octets(flows, rows)),
    )


def _destinations(flows: SiteFlows, rows: NDArray[np.intp]) -> NDArray[np.int64]:
    """One number per outside address and protocol."""
    return (flows.outside[rows].astype(np.int64) << 8) | (flows.protocol[rows].astype(np.int64) & 0xFF)


def _small(flows: SiteFlows, rows: NDArray[np.intp]) -> NDArray[np.bool_]:
    """Whether the packets of a row's destination, both ways, are small on average."""
    _, destination = np.unique(_destinations(flows, rows), return_inverse=True)
    octets, packets = (np.bincount(destination, values[rows]) for values in (flows.octets, flows.packets))
    small: NDArray[np.bool_] = (octets <= CHATTER_PACKET_OCTETS * packets)[destination]
    return small


def _lonely(flows: SiteFlows, rows: NDArray[np.intp], span_ms: int) -> NDArray[np.bool_]:
    """Per address, whether it has several of these rows, all with one inside address and at a low rate."""
    size = len(flows.addresses)
    outside, inside = flows.outside[rows], flows.inside[rows]
    partner = np.empty(size, dtype=np.int32)
    partner[outside] = inside
    others = np.bincount(outside, partner[outside] != inside, size)
    octets = np.bincount(outside, flows.octets[rows], size)
    several = np.bincount(outside, minlength=size) >= STEADY_RECORDS
    lonely: NDArray[np.bool_] = several & (others == 0) & (octets * 8e3 <= CHATTER_BITS_S * span_ms)
    return lonely


def _goes_on(flows: SiteFlows, rows: NDArray[np.intp], span_ms: int) -> bool:
    start, end = flows.start_ms[rows], np.maximum.accumulate(flows.end_ms[rows])
    silence = (start[1:] - end[:-1]).max()
    return bool(end[-1] - start[0] >= STEADY_SPAN * span_ms and silence <= STEADY_SILENCE * span_ms)


def _mean_octets(flows: SiteFlows, rows: NDArray[np.intp]) -> float:
    return float(flows.octets[rows].sum() / max(flows.packets[rows].sum(), 1.0))
