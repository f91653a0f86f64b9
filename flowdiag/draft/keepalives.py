"""Finds what looks like keepalives on a backup link: small packets at a steady pace to one address.

Facts it rests on: many routers do not meter what they send themselves, but the answers that arrive. Any stream looks steady
where only the mean interval of its records is known (aggregator/probe_pace.py); but probes are sent above all while the link
waits, and ordinary traffic is not there then.
"""

from __future__ import annotations

from typing import Final, Literal

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from flowdiag.aggregator.coverage import Coverage
from flowdiag.aggregator.probe_pace import MIN_PROBES, steady_interval_ms
from flowdiag.aggregator.site_flows import DOWN, UP, SiteFlows
from flowdiag.draft.roles import Activity

PROTOCOLS: Final[dict[int, Literal["icmp", "tcp", "udp"]]] = {1: "icmp", 58: "icmp", 6: "tcp", 17: "udp"}
MAX_CANDIDATES: Final = 4
MAX_JUDGED: Final = (
    1_000  # small and lasting streams looked at, those of most packets; an idle backup has a handful
)
LEAST_S: Final = 0.5  # between probes; what is faster is media or a tunnel
MAX_PACKET: Final = 256  # IP octets; probes are small
LASTING: Final = 0.3  # part of the time in which the link carried no ordinary traffic
MISSED: Final = 2  # intervals after a probe that it still goes on
# ICMP type * 256 + code of an echo request (RFC 792, RFC 4443 4.1) where the exporter gives it.
ECHO_REQUESTS: Final = (8 << 8, 128 << 8)
# Intervals that people configure; a pace within a tenth of one is taken as it.
USUAL_S: Final = (1, 2, 3, 5, 10, 15, 20, 30, 45, 60, 90, 120, 180, 300, 600)
NEAR: Final = 0.1


class Candidate(Struct, frozen=True):
    """measured_s: median seconds between probes as seen; interval_s: the usual interval near it. port 0 for
    icmp. packets in records; answers: measured by what comes back, where what goes out does not tell.
    """

    destination: bytes
    protocol: Literal["icmp", "udp", "tcp"]
    port: int
    interval_s: float
    measured_s: float
    packet_bytes: int | None
    packets: int
    records: int
    answers: bool = False


def keepalive_candidates(
    flows: SiteFlows, link: int, coverage: Coverage, seen: Activity
) -> tuple[Candidate, ...]:
    """What goes out on a link (by position) at a steady pace while it waits, or is answered so; most packets first.

    Nothing where the export is sampled: probes that were not sampled look like a slower pace.
    """
    if coverage.sampling != 1:
        return ()
    rows = np.flatnonzero((flows.link == link) & np.isin(flows.protocol, list(PROTOCOLS)))
    rows = rows[~_asked_from_outside(flows, rows)]
    found: dict[tuple[bytes, str, int], Candidate] = {}
    for direction in (UP, DOWN):
        one_way: dict[tuple[bytes, str, int], Candidate] = {}
        for candidate in _one_way(flows, rows[flows.direction[rows] == direction], link, seen, direction):
            key = candidate.destination, candidate.protocol, candidate.port
            if key not in one_way or candidate.packets > one_way[key].packets:
                one_way[key] = candidate
        found = one_way | found
    ranked = sorted(found.values(), key=lambda c: (-c.packets, c.destination, c.protocol, c.port))
    return tuple(ranked[:MAX_CANDIDATES])


def _asked_from_outside(flows: SiteFlows, rows: NDArray[np.intp]) -> NDArray[np.bool_]:
    """Whether a row is an echo request from outside, or may be the answer to one: somebody else's probe."""
    icmp = np.isin(flows.protocol[rows], (1, 58))
    asked = icmp & (flows.direction[rows] == DOWN) & np.isin(flows.inside_port[rows], ECHO_REQUESTS)
    asks = icmp & (flows.direction[rows] == UP) & np.isin(flows.outside_port[rows], ECHO_REQUESTS)
    answering = icmp & (flows.direction[rows] == UP) & ~asks
    answering &= np.isin(flows.outside[rows], np.unique(flows.outside[rows[asked]]))
    others: NDArray[np.bool_] = asked | answering
    return others


def _one_way(
    flows: SiteFlows, rows: NDArray[np.intp], link: int, seen: Activity, direction: int
) -> list[Candidate]:
    """Steady streams among the rows of one direction, apart by both addresses, protocol and port."""
    with_port = np.isin(flows.protocol[rows], (6, 17))
    port = np.where(with_port, flows.outside_port[rows], 0)
    keys = np.stack([flows.outside[rows], flows.protocol[rows], port, flows.inside[rows]], axis=1)
    distinct, group = np.unique(keys, axis=0, return_inverse=True)
    group = group.reshape(-1)
    count = len(distinct)
    packets = np.bincount(group, flows.packets[rows], count)
    octets = np.bincount(group, flows.octets[rows], count)
    judged = np.flatnonzero((packets >= MIN_PROBES) & (octets <= MAX_PACKET * packets))
    judged = judged[np.argsort(-packets[judged], kind="stable")][:MAX_JUDGED]
    order = np.lexsort((flows.end_ms[rows], flows.start_ms[rows], group))
    bounds = np.searchsorted(group[order], np.arange(count + 1))
    found = []
    for number in judged.tolist():
        outside, protocol, outside_port, _ = distinct[number].tolist()
        own = rows[order[bounds[number] : bounds[number + 1]]]
        candidate = _judge(flows, own, outside, protocol, max(outside_port, 0), direction)
        if candidate is not None and _lasts(flows, own, candidate.measured_s, link, seen):
            found.append(candidate)
    return found


def _lasts(flows: SiteFlows, rows: NDArray[np.intp], interval_s: float, link: int, seen: Activity) -> bool:
    """Whether a stream goes on through much of the time in which the link waits, or of all time where it never does."""
    start, end = flows.start_ms[rows], flows.end_ms[rows] + round(MISSED * interval_s * 1000)
    # The record that was open at the export's end is not in it; it is as long as the longest at most.
    end[-1] += int((flows.end_ms[rows] - flows.start_ms[rows]).max())
    windows = seen.ordinary.shape[1]
    steps = np.zeros(windows + 1, np.int64)
    np.add.at(steps, np.clip((start - seen.start_ms) // seen.window_ms, 0, windows), 1)
    np.add.at(steps, np.clip((end - seen.start_ms) // seen.window_ms + 1, 0, windows), -1)
    there = np.cumsum(steps)[:-1] > 0
    waits = ~seen.ordinary[link]
    return bool(there[waits if waits.any() else ~waits].mean() >= LASTING)


def _judge(
    flows: SiteFlows, rows: NDArray[np.intp], outside: int, protocol: int, port: int, direction: int
) -> Candidate | None:
    """rows: all of one stream, by start."""
    name = PROTOCOLS[protocol]
    if name != "icmp" and not port:
        return None
    packets = flows.packets[rows]
    total = float(packets.sum())
    median = steady_interval_ms(flows.start_ms[rows], flows.end_ms[rows], packets, connections=name == "tcp")
    if median is None or median < LEAST_S * 1000:
        return None
    measured = median / 1000
    return Candidate(
        flows.addresses[outside],
        name,
        port,
        usual_interval(measured),
        measured,
        None if name == "tcp" else max(20, round(float(flows.octets[rows].sum()) / total)),
        round(total),
        len(rows),
        direction == DOWN,
    )


def usual_interval(measured_s: float) -> float:
    """The usual interval near a measured one, or the measured one to two digits."""
    for usual in USUAL_S:
        if abs(measured_s - usual) <= NEAR * usual:
            return float(usual)
    return float(f"{measured_s:.2g}")
