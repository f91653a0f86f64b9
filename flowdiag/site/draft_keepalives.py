"""Finds what looks like keepalives on a backup link: small packets at a steady pace to one address."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from flowdiag.aggregator.coverage import Coverage
from flowdiag.aggregator.site_flows import UP, SiteFlows

PROTOCOLS: Final[dict[int, Literal["icmp", "tcp", "udp"]]] = {1: "icmp", 58: "icmp", 6: "tcp", 17: "udp"}
MAX_CANDIDATES: Final = 4
MAX_PLACES: Final = 10_000  # (address, protocol, port) looked at; an idle backup has a handful
MIN_PACKETS: Final = 10  # fewer say nothing about a pace
MAX_PACKET: Final = 256  # IP octets; probes are small
MIN_SPAN: Final = 0.5  # part of the export during which it goes on
STEADY: Final = 0.2  # how far an interval may be off the median
STEADY_SHARE: Final = 0.7  # part of the intervals that are not
# Intervals that people configure; a pace within a tenth of one is taken as it.
USUAL_S: Final = (1, 2, 3, 5, 10, 15, 20, 30, 45, 60, 90, 120, 180, 300, 600)
NEAR: Final = 0.1


@dataclass(frozen=True)
class Candidate:
    """measured_s: median seconds between probes as seen; interval_s: the usual interval near it. port 0 for
    icmp.
    """

    destination: bytes
    protocol: Literal["icmp", "udp", "tcp"]
    port: int
    interval_s: float
    measured_s: float
    packet_bytes: int | None
    packets: int


def keepalive_candidates(flows: SiteFlows, link: int, coverage: Coverage) -> tuple[Candidate, ...]:
    """What goes out on a link (by position) at a steady pace, most packets first.

    Nothing where the export is sampled: probes that were not sampled look like a slower pace.
    """
    if coverage.sampling != 1 or coverage.first_ms is None or coverage.last_ms is None:
        return ()
    rows = np.flatnonzero(
        (flows.link == link) & (flows.direction == UP) & np.isin(flows.protocol, list(PROTOCOLS))
    )
    with_port = np.isin(flows.protocol[rows], (6, 17))
    port = np.where(with_port, flows.outside_port[rows], 0)
    keys = np.stack([flows.outside[rows], flows.protocol[rows], port], axis=1)
    distinct, group = np.unique(keys, axis=0, return_inverse=True)
    if len(distinct) > MAX_PLACES:  # ordinary traffic: no idle backup
        return ()
    order = np.lexsort((flows.start_ms[rows], group.reshape(-1)))
    bounds = np.searchsorted(group.reshape(-1)[order], np.arange(len(distinct) + 1))
    found = []
    for number, (outside, protocol, destination_port) in enumerate(distinct.tolist()):
        part = rows[order[bounds[number] : bounds[number + 1]]]
        candidate = _judge(flows, part, outside, protocol, max(destination_port, 0))
        if candidate is not None and _goes_on(flows, part, coverage.first_ms, coverage.last_ms):
            found.append(candidate)
    found.sort(key=lambda c: (-c.packets, c.destination, c.protocol, c.port))
    return tuple(found[:MAX_CANDIDATES])


def _goes_on(flows: SiteFlows, rows: NDArray[np.int64], first_ms: int, last_ms: int) -> bool:
    span = int(flows.end_ms[rows].max()) - int(flows.start_ms[rows].min())
    return span >= MIN_SPAN * (last_ms - first_ms)


def _judge(
    flows: SiteFlows, rows: NDArray[np.int64], outside: int, protocol: int, port: int
) -> Candidate | None:
    """rows: all of one destination, by start."""
    name = PROTOCOLS[protocol]
    packets = flows.packets[rows]
    total = float(packets.sum())
    size = float(flows.octets[rows].sum()) / total if total else 0.0
    if total < MIN_PACKETS or size > MAX_PACKET or (name != "icmp" and not port):
        return None
    intervals = probe_intervals(flows.start_ms[rows], flows.end_ms[rows], packets, connections=name == "tcp")
    if not len(intervals):
        return None
    median = float(np.median(intervals))
    if median <= 0 or np.mean(np.abs(intervals - median) <= STEADY * median) < STEADY_SHARE:
        return None
    measured = median / 1000
    return Candidate(
        flows.addresses[outside],
        name,
        port,
        usual_interval(measured),
        measured,
        None if name == "tcp" else max(20, round(size)),
        round(total),
    )


def probe_intervals(
    start_ms: NDArray[np.int64], end_ms: NDArray[np.int64], packets: NDArray[np.float64], *, connections: bool
) -> NDArray[np.float64]:
    """Milliseconds from one probe to the next, as far as records by start tell; empty if they do not.

    A record of several packets holds packets - 1 intervals; where records hold one probe each (always where
    each probe is a connection), the intervals are those between their starts.
    """
    several = packets >= 3
    if not connections and packets[several].sum() > packets.sum() / 2:
        counts = packets[several] - 1
        each = (end_ms[several] - start_ms[several]) / counts
        return np.repeat(each, counts.astype(np.int64).clip(max=1000))
    return np.diff(start_ms).astype(np.float64)


def usual_interval(measured_s: float) -> float:
    """The usual interval near a measured one, or the measured one to two digits."""
    for usual in USUAL_S:
        if abs(measured_s - usual) <= NEAR * usual:
            return float(usual)
    return float(f"{measured_s:.2g}")
