"""Finds what looks like keepalives on a backup link: small packets at a steady pace to one address.

Facts it rests on: many routers do not meter what they send themselves, but the answers that arrive. Any stream looks steady
where only the mean interval of its records is known (aggregator/probe_pace.py); but probes are sent above all while the link
waits, and ordinary traffic is not there then.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final, Literal

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from flowdiag.aggregator.chunks import chunks
from flowdiag.aggregator.conversation_keys import mixed
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
ICMP: Final = (1, 58)
HASHED_BITS: Final = 22  # some places for each of the most flows that an export may have
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
    askers = _askers(flows, link)
    found: dict[tuple[bytes, str, int], Candidate] = {}
    for direction in (UP, DOWN):
        one_way: dict[tuple[bytes, str, int], Candidate] = {}
        rows = _worth_a_look(flows, link, direction, askers)
        for candidate in _one_way(flows, rows, link, seen, direction):
            key = candidate.destination, candidate.protocol, candidate.port
            if key not in one_way or candidate.packets > one_way[key].packets:
                one_way[key] = candidate
        found = one_way | found
    ranked = sorted(found.values(), key=lambda c: (-c.packets, c.destination, c.protocol, c.port))
    return tuple(ranked[:MAX_CANDIDATES])


def _worth_a_look(flows: SiteFlows, link: int, direction: int, askers: NDArray[np.int32]) -> NDArray[np.intp]:
    """Rows that may be of a stream of MIN_PROBES packets, small ones in the mean, without other people's probes. Of an export
    of millions most are of others: packets are added up by a part of a hash, which is never less than a stream has, and a
    stream of small packets has a record of such at least.
    """
    packets, small = np.zeros(1 << HASHED_BITS), np.zeros(1 << HASHED_BITS, np.bool_)
    for rows in _rows(flows, link, direction, askers):
        place, counts = _place(flows, rows), flows.packets[rows]
        np.add.at(packets, place, counts)
        small[place[flows.octets[rows] <= MAX_PACKET * counts]] = True
    worth = small & (packets >= MIN_PROBES)
    return np.concatenate(
        [rows[worth[_place(flows, rows)]] for rows in _rows(flows, link, direction, askers)]
    )


def _place(flows: SiteFlows, rows: NDArray[np.intp]) -> NDArray[np.intp]:
    return (_stream_keys(flows, rows) >> np.uint64(64 - HASHED_BITS)).astype(np.intp)


def _rows(
    flows: SiteFlows, link: int, direction: int, askers: NDArray[np.int32]
) -> Iterator[NDArray[np.intp]]:
    """Rows of one direction of a link, some at a time, without other people's probes."""
    for step in chunks(len(flows)):
        own = (flows.link[step] == link) & (flows.direction[step] == direction)
        rows = step.start + np.flatnonzero(own & np.isin(flows.protocol[step], list(PROTOCOLS)))
        yield rows[~_asked_from_outside(flows, rows, direction, askers)]


def _askers(flows: SiteFlows, link: int) -> NDArray[np.int32]:
    """Who sends echo requests from outside, by address number."""
    asked = [
        flows.outside[step][
            (flows.link[step] == link) & (flows.direction[step] == DOWN)
            & np.isin(flows.protocol[step], ICMP) & np.isin(flows.inside_port[step], ECHO_REQUESTS)
        ]
        for step in chunks(len(flows))
    ]  # fmt: skip
    return np.unique(np.concatenate(asked))


def _asked_from_outside(
    flows: SiteFlows, rows: NDArray[np.intp], direction: int, askers: NDArray[np.int32]
) -> NDArray[np.bool_]:
    """Whether a row is an echo request from outside, or may be the answer to one: somebody else's probe."""
    icmp: NDArray[np.bool_] = np.isin(flows.protocol[rows], ICMP)
    if direction == DOWN:
        return icmp & np.isin(flows.inside_port[rows], ECHO_REQUESTS)
    asks = np.isin(flows.outside_port[rows], ECHO_REQUESTS)
    return icmp & ~asks & np.isin(flows.outside[rows], askers)


def _one_way(
    flows: SiteFlows, rows: NDArray[np.intp], link: int, seen: Activity, direction: int
) -> list[Candidate]:
    """Steady streams among the rows of one direction, apart by both addresses, protocol and port."""
    keys = np.concatenate([_stream_keys(flows, rows[step]) for step in chunks(len(rows))])
    _, first, group = np.unique(keys, return_index=True, return_inverse=True)
    count = len(first)
    packets = np.bincount(group, flows.packets[rows], count)
    octets = np.bincount(group, flows.octets[rows], count)
    judged = np.flatnonzero((packets >= MIN_PROBES) & (octets <= MAX_PACKET * packets))
    judged = judged[np.lexsort((first[judged], -packets[judged]))][:MAX_JUDGED]
    mine = np.flatnonzero(np.isin(group, judged))
    rows, group = rows[mine], group[mine]
    order = np.lexsort((flows.end_ms[rows], flows.start_ms[rows], group))
    rows, group = rows[order], group[order]
    found = []
    for number in judged.tolist():
        begin, past = np.searchsorted(group, (number, number + 1)).tolist()
        own = rows[begin:past]
        candidate = _judge(flows, own, direction)
        if candidate is not None and _lasts(flows, own, candidate.measured_s, link, seen):
            found.append(candidate)
    return found


def _ports(flows: SiteFlows, rows: NDArray[np.intp]) -> NDArray[np.int32]:
    """The outside ports of some rows; 0 where the protocol has none, or it is not known."""
    with_port = np.isin(flows.protocol[rows], (6, 17))
    ports: NDArray[np.int32] = np.where(with_port, flows.outside_port[rows], 0).clip(min=0)
    return ports


def _stream_keys(flows: SiteFlows, rows: NDArray[np.intp]) -> NDArray[np.uint64]:
    return mixed(flows.outside[rows], flows.protocol[rows], _ports(flows, rows), flows.inside[rows])


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


def _judge(flows: SiteFlows, rows: NDArray[np.intp], direction: int) -> Candidate | None:
    """rows: all of one stream, by start."""
    name, port = PROTOCOLS[int(flows.protocol[rows[0]])], int(_ports(flows, rows[:1])[0])
    if name != "icmp" and not port:
        return None
    packets = flows.packets[rows]
    total = float(packets.sum())
    median = steady_interval_ms(flows.start_ms[rows], flows.end_ms[rows], packets, connections=name == "tcp")
    if median is None or median < LEAST_S * 1000:
        return None
    measured = median / 1000
    return Candidate(
        flows.addresses[int(flows.outside[rows[0]])],
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
