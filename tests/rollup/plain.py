"""Roll-ups made slowly and plainly, by loops over records: what those that a store makes are held against."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from typing import Any

import pyarrow as pa

from flowdiag.address_ranges import AddressRanges
from flowdiag.addresses import PRIVATE_NETWORKS
from flowdiag.aggregator.build import Reduction
from flowdiag.aggregator.services import AT_SRC, UNDECIDED
from flowdiag.aggregator.top import ANY_SITE
from flowdiag.durations import HOUR_MS
from flowdiag.rollup.shape import AMOUNTS, FOLDED, TABLES, Facts, RollUp

_POINT = ("domain", "ingress", "egress", "metered", "scope")


def plain_rollup(
    batches: Iterable[pa.RecordBatch], exporter: bytes, report: dict[bytes, bytes], most: int | None = None
) -> RollUp:
    """A roll-up of flows, without minutes and hours."""
    reduction = Reduction(ANY_SITE)
    pieces = [reduction.add(batch) for batch in batches]
    reduction.services.settle()
    rows = [row for piece in pieces for row in _rows(piece, reduction)]
    tables: dict[str, list[dict[str, Any]]] = {name: [] for name in TABLES}
    for kind, ends in (("hosts", (0, 1)), ("services", (0,)), ("conversations", (0,))):
        for end in ends:
            _summarise(tables, kind, end, rows, most)
    facts = Facts(
        rows=len(rows),
        first_ms=min((row["start"] for row in rows), default=None),
        last_ms=max((row["end"] for row in rows), default=None),
        longest_ms=max((row["end"] - row["start"] for row in rows), default=0),
        packets=float(sum(row["packets"] for row in rows)),
        packets_seen=float(sum(row["packets"] / row["sampling"] for row in rows)),
        not_ip=reduction.left_out.not_ip,
        untimed=reduction.left_out.without_times,
        durations_ms=tuple(row["end"] - row["start"] for row in rows),
        duration_packets=tuple(round(row["packets"] / row["sampling"]) for row in rows),
    )
    made = {name: pa.Table.from_pylist(tables[name], TABLES[name]) for name in TABLES}
    return RollUp(exporter, facts, report, made)


def _rows(piece: Any, reduction: Reduction) -> Iterable[dict[str, Any]]:
    """Each record with what a roll-up says of it."""
    addresses = reduction.interner.addresses.all()
    private = AddressRanges(PRIVATE_NETWORKS).contains(addresses)
    sides = reduction.services.find(piece).side
    names = [*reduction.interner.names, None]
    for at in range(len(piece)):
        src, dst = int(piece.src[at]), int(piece.dst[at])
        octets, packets = int(piece.octets[at]), int(piece.packets[at])
        ports = int(piece.src_port[at]), int(piece.dst_port[at])
        port = -1 if sides[at] == UNDECIDED else ports[0] if sides[at] == AT_SRC else ports[1]
        yield {
            "start": int(piece.start_ms[at]),
            "end": int(piece.end_ms[at]),
            "hour": int(piece.end_ms[at]) // HOUR_MS,
            "domain": reduction.interner.sources[piece.source[at]][1],
            "ingress": int(piece.ingress[at]),
            "egress": int(piece.egress[at]),
            "metered": int(piece.metered[at]),
            "scope": int(private[src]) + 2 * int(private[dst]),
            "ends": (addresses[src], addresses[dst]),
            "protocol": int(piece.protocol[at]),
            "port": port,
            "side": int(sides[at]),
            "name": names[piece.application[at]],
            "sampling": max(int(piece.sampling[at]), 1),
            "octets": octets,
            "packets": packets,
            "padding_46": max(46 * packets - octets, 0),
            "padding_38": max(38 * packets - octets, 0),
            "flows": 1,
        }


def _summarise(
    tables: dict[str, list[dict[str, Any]]], kind: str, end: int, rows: list[dict[str, Any]], most: int | None
) -> None:
    by_hour: dict[int, dict[Any, list[dict[str, Any]]]] = defaultdict(lambda: defaultdict(list))
    for row in rows:
        point = tuple(row[name] for name in _POINT)
        by_hour[row["hour"]][point, _key(kind, end, row)].append(row)
    for hour, found in sorted(by_hour.items()):
        sizes = {key: sum(row["octets"] for row in some) for key, some in found.items()}
        order = sorted(found, key=lambda key: (-sizes[key], repr(key)))
        for key in order[:most]:
            tables[kind].append(_row(kind, end, hour, key, found[key]))
        lost: dict[Any, list[Any]] = defaultdict(list)
        for key in order[len(order) if most is None else most :]:
            lost[key[0]].append(key)
        for point, keys in sorted(lost.items()):
            gone = [row for key in keys for row in found[key]]
            error = max(sizes[key] for key in keys)
            more = {"hour": hour, "kind": kind, "keys": len(keys), "error": error}
            tables["folded"].append(more | dict(zip(_POINT, point, strict=True)) | _sums(gone))


def _key(kind: str, end: int, row: dict[str, Any]) -> tuple[Any, ...]:
    if kind == "hosts":
        return (row["ends"][end],)
    service = (row["protocol"], row["port"], row["name"])
    return service if kind == "services" else (*row["ends"], row["side"], *service)


def _row(kind: str, end: int, hour: int, key: tuple[Any, Any], some: list[dict[str, Any]]) -> dict[str, Any]:
    point, what = key
    found = {"hour": hour} | dict(zip(_POINT, point, strict=True)) | _sums(some)
    first, last = min(row["start"] for row in some), max(row["end"] for row in some)
    if kind == "hosts":
        return found | {"end": end, "address": what[0], "first_ms": first, "last_ms": last}
    if kind == "services":
        named = dict(zip(("protocol", "port", "application"), what, strict=True))
        return found | named | {"first_ms": first, "last_ms": last}
    src, dst, side, protocol, port, name = what
    found |= {
        "start": first,
        "end": last,
        "src_address": src,
        "dst_address": dst,
        "src_port": port if side & 1 else None,
        "dst_port": port if side & 2 else None,
        "protocol": None if protocol < 0 else protocol,
        "ingress_interface": None if point[1] < 0 else point[1],
        "egress_interface": None if point[2] < 0 else point[2],
        "direction": None if point[3] > 1 else point[3],
        "application": name,
        "sampling": 1,
        "folded": False,
    }
    return {column.name: found.get(column.name) for column in TABLES["conversations"]}


def _sums(some: list[dict[str, Any]]) -> dict[str, int]:
    return {name: sum(row[name] for row in some) for name in AMOUNTS}


assert set(AMOUNTS) <= set(FOLDED.names)
