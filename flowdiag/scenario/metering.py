"""The router's metering process: what was carried becomes unidirectional flow records.

A record ends after the idle timeout without a packet, at the active timeout (checked once a second, as
routers do), or when the conversation ends; the route's interface is part of the flow's key. Export follows
the end: at once for the active timeout, within two seconds of a FIN, after the idle timeout for the rest (RFC
5102 5.11.3 names the reasons; the delays are common practice, no source).
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from msgspec import Struct
from numpy.random import Generator
from numpy.typing import NDArray

from flowdiag.scenario.carry import Carried
from flowdiag.scenario.ledger import LOCAL, NO_EGRESS
from flowdiag.scenario.translating import Translation, translated

RECORD: Final = np.dtype(
    [
        ("start", "i8"),  # ms since 1970 UTC, true time
        ("end", "i8"),
        ("export", "i8"),
        ("src", "i4"),  # index into the address table
        ("dst", "i4"),
        ("src_port", "u2"),
        ("dst_port", "u2"),
        ("protocol", "u1"),
        ("octets", "u8"),
        ("packets", "u8"),
        ("ingress", "u4"),
        ("egress", "u4"),
        ("flags", "u2"),
        ("dscp", "u1"),
        ("direction", "u1"),  # 0 metered at ingress, 1 at egress
        ("end_reason", "u1"),
        ("application", "i2"),
    ]
)

IDLE_TIMEOUT, ACTIVE_TIMEOUT, END_SEEN, FORCED_END = 1, 2, 3, 4  # flowEndReason (RFC 5102 5.11.3)
TCP, FIN = 6, 0x01


class Meter(Struct, frozen=True):
    """both_points: every packet is metered at ingress and again at egress. sampling: 1 packet in so many,
    random. translation: what the router does to addresses. before_queue: an upload is metered with all that was
    sent, also what the link's queue then dropped.

    flush: what is still open at the end is exported then; otherwise it never is.
    """

    active_s: int = 60
    idle_s: int = 15
    both_points: bool = False
    sampling: int = 1
    flush: bool = True
    translation: Translation | None = None
    before_queue: bool = False


def meter_records(carried: Carried, meter: Meter, rng: Generator) -> NDArray[Any]:
    """All flow records (dtype RECORD) in order of export."""
    parts = []
    for direction in (0, 1):
        parts += [_steady_records(carried, direction, meter), _chunk_records(carried, direction, meter)]
    records = np.concatenate(parts)
    if meter.sampling > 1:
        records = _sample(records, meter.sampling, rng)
    records = _time_exports(records, meter, carried.network.end_ms, rng)
    if meter.both_points:
        again = records.copy()
        again["direction"] = 1
        records = np.concatenate([records, again])
    if meter.translation:
        records = translated(records, carried, meter.translation, both_points=meter.both_points)
    return records[np.argsort(records["export"], kind="stable")]


def _fill(
    carried: Carried,
    direction: int,
    numbers: NDArray[np.int64],
    link: NDArray[np.int64],
    start: NDArray[np.float64],
    end: NDArray[np.float64],
    octets: NDArray[np.float64],
    packets: NDArray[np.float64],
    last: NDArray[np.bool_],
) -> NDArray[Any]:
    """Records of one direction (0 down: outside to inside). All arrays [n]; last: the conversation ends here."""
    talk = carried.conversations[numbers]
    records = np.zeros(len(numbers), RECORD)
    source, target = ("inside", "outside") if direction else ("outside", "inside")
    records["src"], records["dst"] = talk[source], talk[target]
    records["src_port"], records["dst_port"] = talk[f"{source}_port"], talk[f"{target}_port"]
    records["protocol"], records["dscp"] = talk["protocol"], talk["dscp"]
    records["application"] = talk["application"]
    flags = talk["up_flags"] if direction else talk["down_flags"]
    records["flags"] = np.where(last, flags, flags & ~np.uint8(FIN))
    records["packets"] = np.maximum(np.rint(packets), 1)
    records["octets"] = np.maximum(np.rint(octets), 20)
    records["start"] = np.floor(start)
    records["end"] = np.where(records["packets"] == 1, records["start"], np.floor(end))
    lan = carried.site.lan_interface
    wan = np.array([site_link.interfaces[0] for site_link in carried.site.links], np.int64)[
        np.maximum(link, 0)
    ]
    wan[link == LOCAL] = lan
    wan[link == NO_EGRESS] = 0
    records["ingress"], records["egress"] = (lan, wan) if direction else (wan, lan)
    closed = (talk["protocol"] == TCP) & ((flags & FIN) > 0)
    records["end_reason"] = np.where(last, np.where(closed, END_SEEN, IDLE_TIMEOUT), ACTIVE_TIMEOUT)
    return records


def _steady_records(carried: Carried, direction: int, meter: Meter) -> NDArray[Any]:
    talk = carried.conversations
    wished = talk["up_octets" if direction else "down_octets"][carried.pieces["conversation"]]
    pieces = carried.pieces[wished > 0]
    active_ms = meter.active_s * 1000
    count = np.maximum(np.ceil((pieces["end"] - pieces["start"]) / active_ms), 1).astype(np.int64)
    which = np.repeat(np.arange(len(pieces)), count)
    nth = np.arange(len(which)) - np.repeat(np.cumsum(count) - count, count)
    rows = pieces[which]
    start = rows["start"] + nth * active_ms
    end = np.minimum(start + active_ms, rows["end"])
    octets = carried.steady_octets(rows, direction, start, end)
    wish = talk[rows["conversation"]]
    if meter.before_queue and direction:
        octets = wish["up_octets"] * (end - start) / (wish["end"] - wish["start"])
    name = "up" if direction else "down"
    packets = octets * wish[f"{name}_packets"] / wish[f"{name}_octets"]
    last = end >= wish["end"]
    seen = octets >= 1
    return _fill(
        carried, direction, rows["conversation"][seen], rows["link"][seen].astype(np.int64), start[seen],
        end[seen], octets[seen], packets[seen], last[seen],
    )  # fmt: skip


def _chunk_records(carried: Carried, direction: int, meter: Meter) -> NDArray[Any]:
    name = "up" if direction else "down"
    chunks = carried.chunks[carried.chunks[f"{name}_octets"] > 0]
    if not len(chunks):
        return np.zeros(0, RECORD)
    chunks = chunks[np.lexsort((chunks["start"], chunks["link"], chunks["conversation"]))]
    start, end = chunks["start"], chunks["end"]
    other = np.ones(len(chunks), bool)
    other[1:] = (np.diff(chunks["conversation"]) != 0) | (np.diff(chunks["link"]) != 0)
    other[1:] |= start[1:] - end[:-1] > meter.idle_s * 1000
    run_start = start[other][np.cumsum(other) - 1]
    # A router's timer runs once a second: packets up to half a second past the timeout still count.
    period = (start - run_start + 500) // (meter.active_s * 1000)
    new = other.copy()
    new[1:] |= np.diff(period) != 0
    first = np.flatnonzero(new)
    last_of_run = np.append(other[first[1:]], True)
    octets = np.add.reduceat(chunks[f"{name}_octets"], first)
    packets = np.add.reduceat(chunks[f"{name}_packets"], first)
    return _fill(
        carried, direction, chunks["conversation"][first], chunks["link"][first].astype(np.int64),
        start[first], np.maximum.reduceat(end, first), octets, packets, last_of_run,
    )  # fmt: skip


def _sample(records: NDArray[Any], one_in: int, rng: Generator) -> NDArray[Any]:
    """Random 1-in-N: each packet is taken with probability 1/N; counters stay unscaled, as routers export them."""
    taken = rng.binomial(records["packets"].astype(np.int64), 1 / one_in)
    seen = taken > 0
    records, taken = records[seen].copy(), taken[seen]
    mean = records["octets"] / records["packets"]
    duration = records["end"] - records["start"]
    # First and last of n packets taken at random from an even stream: order statistics of the uniform
    # distribution.
    early = duration * (1 - rng.random(len(records)) ** (1 / taken))
    late = duration * (1 - rng.random(len(records)) ** (1 / taken))
    start = records["start"] + np.floor(early).astype(np.int64)
    records["end"] = np.where(
        taken == 1, start, np.maximum(records["end"] - np.floor(late).astype(np.int64), start)
    )
    records["start"] = start
    records["packets"] = taken
    records["octets"] = np.rint(mean * taken)
    return records


def _time_exports(records: NDArray[Any], meter: Meter, end_ms: int, rng: Generator) -> NDArray[Any]:
    wait = rng.integers(0, 1000, len(records))
    wait += np.select(
        [records["end_reason"] == IDLE_TIMEOUT, records["end_reason"] == END_SEEN],
        [meter.idle_s * 1000, 1000],
        0,
    )
    records["export"] = records["end"] + wait
    late = records["export"] > end_ms
    if not meter.flush:
        return records[~late]
    records["end_reason"][late] = FORCED_END
    records["export"][late] = end_ms
    return records
