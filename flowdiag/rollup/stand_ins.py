"""Records that stand for the flows of some hours: those of `conversations`, at the times in which there were any.

A conversation's record reaches from its first to its last packet of an hour. Where its kind of record (exporter, domain and
interfaces) was silent meanwhile, by the sums of its minutes, nothing of it was sent: the record is cut there, and its
octets lie in the pieces as those of the minutes do. So an interface that was dead for some minutes is dead in these records too.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from typing import Final

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from msgspec import Struct
from numpy.typing import NDArray

from flowdiag.aggregator.records import NOT_SAID
from flowdiag.buffers import address_column, column, fill_null, integers, nullable_column, numbers, one_chunk
from flowdiag.durations import MINUTE_MS
from flowdiag.flows import FLOW_SCHEMA
from flowdiag.rollup.folding import largest_of_groups
from flowdiag.rollup.minute_sums import MinuteSums, distinct_rows
from flowdiag.rollup.shape import RollUp

# A pause of so many whole minutes is a silence; a quiet site has single minutes without records at any time.
SILENT_MINUTES: Final = 2
# Pieces of one record; the rest of them stays one.
MAX_PIECES: Final = 12

# Conversations of an hour that stand in by name, of a site that has many, and of each kind of record at least.
MOST_OF_AN_HOUR: Final = 160
OWN: Final = 16
# What the applications of conversations are called that were counted together.
OTHERS: Final = "(others)"

Point = tuple[int, int, int, int]  # source, ingress, egress, metered


class Activity(Struct, frozen=True, eq=False):
    """When one kind of record was there. begin_ms, end_ms: of each time without a silence; edges_ms, octets: sent by then."""

    begin_ms: NDArray[np.int64]
    end_ms: NDArray[np.int64]
    edges_ms: NDArray[np.float64]
    octets: NDArray[np.float64]


def activities(sums: MinuteSums) -> dict[Point, Activity]:
    """The activity of each kind of record in the sums."""
    distinct, where = distinct_rows(sums.source, sums.ingress, sums.egress, sums.metered)
    order = np.lexsort((sums.minute, where))
    parts = np.split(order, np.cumsum(np.bincount(where, minlength=len(distinct[0])))[:-1])
    points = zip(*(key.tolist() for key in distinct), strict=True)
    return {
        point: _activity(sums.minute[rows], sums.amounts["octets"][rows])
        for point, rows in zip(points, parts, strict=True)
        if len(rows)
    }


def _activity(minute: NDArray[np.int64], octets: NDArray[np.float64]) -> Activity:
    """minute: ascending; one may come several times."""
    distinct, where = np.unique(minute, return_inverse=True)
    sent = np.cumsum(np.bincount(where, octets))
    apart = np.flatnonzero(np.diff(distinct) > SILENT_MINUTES)
    edges = np.stack([distinct, distinct + 1], axis=1).ravel() * MINUTE_MS
    return Activity(
        begin_ms=distinct[np.concatenate([[0], apart + 1])] * MINUTE_MS,
        end_ms=(distinct[np.concatenate([apart, [len(distinct) - 1]])] + 1) * MINUTE_MS,
        edges_ms=edges.astype(np.float64),
        octets=np.stack([np.concatenate([[0.0], sent[:-1]]), sent], axis=1).ravel(),
    )


def stand_ins(
    rollups: Sequence[RollUp],
    sources: Mapping[tuple[bytes, int], int],
    active: Mapping[Point, Activity],
    without: Collection[int] = (),
) -> Iterator[pa.RecordBatch]:
    """The records of the conversations of roll-ups, in FLOW_SCHEMA, a batch for each roll-up that has any.

    sources: the number of each exporter and domain; without: hours (since 1970 UTC) that are not wanted.
    """
    left_out = np.array(sorted(without), np.int64)
    for rollup in rollups:
        table = rollup.tables["conversations"].combine_chunks()
        if len(left_out):
            table = table.filter(column(~np.isin(numbers(one_chunk(table["hour"])), left_out)))
        if table.num_rows:
            yield _batch(fewer(table), rollup.exporter, sources, active)


def fewer(table: pa.Table) -> pa.Table:
    """The conversations of a large site's day with the largest of each hour alone, MOST_OF_AN_HOUR and of each kind of record
    OWN; the others are one of each hour, kind of record and protocol, of nobody."""
    hour, domain, octets = (integers(table, name) for name in ("hour", "domain", "octets"))
    distinct, of_hour = np.unique(hour, return_inverse=True)
    if table.num_rows <= 2 * MOST_OF_AN_HOUR * len(distinct):
        return table
    kinds = [
        fill_null(one_chunk(table[name]), -1, np.int64)
        for name in ("ingress_interface", "egress_interface", "direction", "dscp")
    ]
    rows_of_kinds, kind = distinct_rows(hour, domain, *kinds)
    kept = largest_of_groups(of_hour, octets, np.full(len(distinct), MOST_OF_AN_HOUR))
    kept |= largest_of_groups(kind, octets, np.full(len(rows_of_kinds[0]), OWN))
    rest = table.take(column(np.flatnonzero(~kept)))
    protocol = fill_null(one_chunk(rest["protocol"]), -1, np.int64)
    _, group = distinct_rows(kind[~kept].astype(np.int64), protocol)
    first = np.unique(group, return_index=True)[1]
    made = {name: one_chunk(rest[name]).take(column(first)) for name in table.column_names}
    count = len(first)
    for name in ("octets", "packets", "padding_46", "padding_38", "flows"):
        values = numbers(one_chunk(rest[name])).astype(np.float64)
        made[name] = column(np.bincount(group, values, count).astype(np.uint64))
    for name, reduce in (("start", np.minimum), ("end", np.maximum)):
        times = fill_null(one_chunk(rest[name]), 0, stored=np.int64)
        most = times[first].copy()
        reduce.at(most, group, times)
        made[name] = column(most).cast(table.schema.field(name).type)
    for name in ("src_address", "dst_address", "src_port", "dst_port", "tcp_flags", "application"):
        made[name] = pa.nulls(count, table.schema.field(name).type)
    made["folded"] = column(np.ones(count, np.bool_))
    together = pa.table([made[name] for name in table.column_names], schema=table.schema)
    return pa.concat_tables([table.take(column(np.flatnonzero(kept))), together]).combine_chunks()


def _batch(
    table: pa.Table,
    exporter: bytes,
    sources: Mapping[tuple[bytes, int], int],
    active: Mapping[Point, Activity],
) -> pa.RecordBatch:
    pieces = _pieces(table, exporter, sources, active)
    rows = None if pieces is None else column(pieces.row)
    columns: list[pa.Array] = []
    folded = one_chunk(table["folded"]) if rows is None else one_chunk(table["folded"]).take(rows)
    for field in FLOW_SCHEMA:
        if field.name == "exporter":
            count = table.num_rows if pieces is None else len(pieces.row)
            columns.append(address_column([exporter] * count))
            continue
        values = one_chunk(table[field.name])
        if pieces is not None and (changed := getattr(pieces, field.name, None)) is not None:
            columns.append(column(changed).cast(field.type))
            continue
        if rows is not None:
            values = values.take(rows)
        if field.name == "application":
            values = pc.if_else(folded, OTHERS, values).dictionary_encode()
        columns.append(values.cast(field.type))
    return pa.RecordBatch.from_arrays(columns, schema=FLOW_SCHEMA)


def kinds_of_record(sums: MinuteSums, sources: Mapping[tuple[bytes, int], int]) -> pa.RecordBatch:
    """One record for each kind of record (exporter, domain and interfaces) with all of its octets, and nobody's addresses:
    enough to decide what counts where, unless that hangs on who it was. In FLOW_SCHEMA."""
    distinct, where = distinct_rows(sums.source, sums.ingress, sums.egress, sums.metered)
    source, ingress, egress, metered = distinct
    count = len(source)
    by_number = {number: known for known, number in sources.items()}
    known = [by_number[number] for number in source.tolist()]
    begin = np.full(count, int(sums.minute.min()) * MINUTE_MS if len(sums) else 0)
    values: dict[str, pa.Array] = {
        "start": column(begin),
        "end": column(begin),
        "ingress_interface": nullable_column(ingress, ingress >= 0),
        "egress_interface": nullable_column(egress, egress >= 0),
        "direction": nullable_column(metered, metered != NOT_SAID),
        "exporter": address_column([exporter for exporter, _ in known]),
        "domain": column(np.array([domain for _, domain in known], np.int64)),
        "sampling": column(np.ones(count, np.int64)),
    }
    for name in ("octets", "packets"):
        values[name] = column(np.bincount(where, sums.amounts[name], count).astype(np.uint64))
    return pa.RecordBatch.from_arrays(
        [
            values[field.name].cast(field.type) if field.name in values else pa.nulls(count, field.type)
            for field in FLOW_SCHEMA
        ],
        schema=FLOW_SCHEMA,
    )


class _Pieces(Struct, frozen=True, eq=False):
    """row: which record each is of; start, end: ms; octets, packets: of it."""

    row: NDArray[np.int64]
    start: NDArray[np.int64]
    end: NDArray[np.int64]
    octets: NDArray[np.uint64]
    packets: NDArray[np.uint64]


def _pieces(
    table: pa.Table,
    exporter: bytes,
    sources: Mapping[tuple[bytes, int], int],
    active: Mapping[Point, Activity],
) -> _Pieces | None:
    """The records of a table cut at silences; None where none is cut."""
    start, end = (fill_null(one_chunk(table[name]), -1, stored=np.int64) for name in ("start", "end"))
    first, count = np.zeros(len(start), np.int64), np.ones(len(start), np.int64)
    points = _points(table, exporter, sources)
    of_point: list[tuple[Activity, NDArray[np.intp]]] = []
    for point, rows in points:
        activity = active.get(point)
        if activity is None or len(activity.begin_ms) < 2:
            continue
        of_point.append((activity, rows))
        first[rows] = np.searchsorted(activity.end_ms, start[rows], "right")
        stop = np.searchsorted(activity.begin_ms, np.maximum(end[rows], start[rows] + 1), "left")
        count[rows] = np.clip(stop - first[rows], 1, MAX_PIECES)
    if not (count > 1).any():
        return None
    row = np.repeat(np.arange(len(start)), count)
    nth = np.arange(len(row)) - np.repeat(np.cumsum(count) - count, count)
    begins, ends, weight = start[row], end[row], np.ones(len(row))
    cut = count > 1
    for activity, rows in of_point:
        chosen = np.zeros(len(start), np.bool_)
        chosen[rows] = cut[rows]
        at = np.flatnonzero(chosen[row])
        run = first[row[at]] + nth[at]
        last = nth[at] == count[row[at]] - 1
        begins[at] = np.maximum(start[row[at]], activity.begin_ms[run])
        ends[at] = np.where(last, end[row[at]], np.minimum(end[row[at]], activity.end_ms[run]))
        sent = [np.interp(times, activity.edges_ms, activity.octets) for times in (begins[at], ends[at])]
        weight[at] = np.maximum(sent[1] - sent[0], 0.0)
    octets, packets = (
        _shared(numbers(one_chunk(table[name])), row, count, weight) for name in ("octets", "packets")
    )
    kept = np.flatnonzero((octets > 0) | (packets > 0))
    return _Pieces(row[kept], begins[kept], ends[kept], octets[kept], packets[kept])


def _shared(
    values: NDArray[np.uint64], row: NDArray[np.int64], count: NDArray[np.int64], weight: NDArray[np.float64]
) -> NDArray[np.uint64]:
    """Each record's value shared out over its pieces by their weights; they add up to it."""
    stops = np.cumsum(count)
    so_far = np.cumsum(weight)
    before = np.concatenate([[0.0], so_far])[stops - count]
    whole = so_far[stops - 1] - before
    until = (so_far - before[row]) / np.where(whole > 0, whole, 1.0)[row]
    until[stops - 1] = 1.0
    summed = np.rint(until * values[row]).astype(np.int64)
    shares = np.diff(summed, prepend=0)
    begins = stops - count
    shares[begins] = summed[begins]
    whole_shares: NDArray[np.uint64] = np.maximum(shares, 0).astype(np.uint64)
    return whole_shares


def _points(
    table: pa.Table, exporter: bytes, sources: Mapping[tuple[bytes, int], int]
) -> list[tuple[Point, NDArray[np.intp]]]:
    """The kinds of record in a table of conversations, with their rows."""
    domain = integers(table, "domain")
    ingress, egress = (
        fill_null(one_chunk(table[name]), -1, np.int64) for name in ("ingress_interface", "egress_interface")
    )
    metered = fill_null(one_chunk(table["direction"]), NOT_SAID, np.int64)
    distinct, where = distinct_rows(domain, ingress, egress, metered)
    order = np.argsort(where, kind="stable")
    parts = np.split(order, np.cumsum(np.bincount(where, minlength=len(distinct[0])))[:-1])
    return [
        ((sources.get((exporter, number), -1), into, out, kind), rows)
        for (number, into, out, kind), rows in zip(
            zip(*(key.tolist() for key in distinct), strict=True), parts, strict=True
        )
    ]
