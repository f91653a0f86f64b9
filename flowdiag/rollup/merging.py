"""One roll-up out of many: of files, hours, days, exporters or machines.

Facts the design follows:
- sums are whole numbers and bounds add up, so tables are the same in whatever order and groups roll-ups are merged;
- nothing is folded here: merged summaries are as long as all of their keys, which is what makes the order no matter. A
  key that one roll-up has and another folded has lost no more than the sum of the errors of its hour and kind of record;
- two files may have had their busiest five seconds at one time, and one source may have sent to different addresses in
  each: peaks and numbers of partners add up too, and stay bounds.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from flowdiag.addresses import UNKNOWN_ADDRESS
from flowdiag.buffers import column, fill_null, nulls, numbers, one_chunk
from flowdiag.rollup.folding import run_begins
from flowdiag.rollup.shape import REASONS, TABLES, Facts, RollUp
from flowdiag.rollup.signs import MOST_DURATIONS, evenly

_ADDED: Final = frozenset(
    {
        "octets", "packets", "padding_46", "padding_38", "flows", "peak", "least_octets", "least_packets", "most_octets",
        "most_packets", "keys", "error", "records", "bare_syns", "most_destinations", "most_sources",
    }
)  # fmt: skip
_LEAST: Final = frozenset({"first_ms", "start"})
_MOST: Final = frozenset({"last_ms", "end"})
_FLAGS: Final = "tcp_flags"
_REDUCED: Final = _ADDED | _LEAST | _MOST | {_FLAGS}


def merged(rollups: Sequence[RollUp]) -> RollUp:
    """All of them together, one at least, with the tables that all have.

    exporter is all zero, and report empty, where they are not of one. The samples of durations are thinned to one rate,
    fair but no longer the same in whatever groups they are merged.
    """
    first = rollups[0]
    of_one = all(other.exporter == first.exporter for other in rollups)
    alike = all(other.report == first.report for other in rollups)
    tables = {
        name: _merged(pa.concat_tables([rollup.tables[name] for rollup in rollups]), name)
        for name in TABLES
        if all(name in rollup.tables for rollup in rollups)
    }
    facts = _facts([rollup.facts for rollup in rollups])
    return RollUp(
        first.exporter if of_one else UNKNOWN_ADDRESS, facts, dict(first.report) if alike else {}, tables
    )


def _merged(table: pa.Table, name: str) -> pa.Table:
    """One row for each key, in their order."""
    schema = TABLES[name]
    table = table.cast(schema).combine_chunks()
    if not table.num_rows:
        return table
    columns = {field.name: one_chunk(table[field.name]) for field in schema}
    keys = [_ranks(values) for name, values in columns.items() if name not in _REDUCED]
    order = np.lexsort(keys[::-1])
    begins = run_begins([key[order] for key in keys])
    first = column(order[begins])
    made = [
        _reduced(name, values, order, begins) if name in _REDUCED else values.take(first)
        for name, values in columns.items()
    ]
    return pa.Table.from_arrays(made, schema=schema)


def _ranks(values: pa.Array) -> NDArray[np.int64]:
    """Numbers in the order of the values, null last."""
    encoded = values.dictionary_encode()
    order = numbers(pc.sort_indices(encoded.dictionary)).astype(np.int64)
    rank = np.empty(len(order) + 1, np.int64)
    rank[order] = np.arange(len(order))
    rank[-1] = len(order)
    ranks: NDArray[np.int64] = rank[fill_null(encoded.indices, len(order))]
    return ranks


def _reduced(name: str, values: pa.Array, order: NDArray[np.intp], begins: NDArray[np.intp]) -> pa.Array:
    if name == _FLAGS:
        return _flags(values, order, begins)
    timed = pa.types.is_timestamp(values.type)
    plain: NDArray[Any] = numbers(values, np.int64 if timed else None)[order]
    if name in _ADDED:
        made = np.add.reduceat(plain, begins)
    else:
        made = (np.minimum if name in _LEAST else np.maximum).reduceat(plain, begins)
    return column(made).cast(values.type)


def _flags(values: pa.Array, order: NDArray[np.intp], begins: NDArray[np.intp]) -> pa.Array:
    """The OR of what is known; null where nothing is."""
    made = np.bitwise_or.reduceat(fill_null(values, 0)[order], begins)
    known = np.logical_or.reduceat(~nulls(values)[order], begins)
    valid = pa.py_buffer(np.packbits(known, bitorder="little"))
    return pa.Array.from_buffers(values.type, len(made), [valid, pa.py_buffer(made)])


def _facts(facts: Sequence[Facts]) -> Facts:
    firsts = [one.first_ms for one in facts if one.first_ms is not None]
    lasts = [one.last_ms for one in facts if one.last_ms is not None]
    reasons = {reason for one in facts for reason in one.needs_flows}
    durations, packets = _durations(facts)
    cut = sorted(duration for one in facts for duration in one.cut_ms)
    return Facts(
        rows=sum(one.rows for one in facts),
        first_ms=min(firsts, default=None),
        last_ms=max(lasts, default=None),
        longest_ms=max(one.longest_ms for one in facts),
        packets=sum(one.packets for one in facts),
        packets_seen=sum(one.packets_seen for one in facts),
        untimed=sum(one.untimed for one in facts),
        not_ip=sum(one.not_ip for one in facts),
        needs_flows=tuple(reason for reason in REASONS if reason in reasons),
        durations_ms=durations,
        duration_packets=packets,
        cut_ms=tuple(cut[place] for place in evenly(len(cut), MOST_DURATIONS)),
    )


def _durations(facts: Sequence[Facts]) -> tuple[tuple[int, ...], tuple[int, ...]]:
    """Of each file as many as of every other for the records that it has."""
    sampled = [one for one in facts if one.durations_ms]
    rows = sum(one.rows for one in sampled)
    rate = min(
        [MOST_DURATIONS / max(rows, 1), *(len(one.durations_ms) / max(one.rows, 1) for one in sampled)]
    )
    pairs = []
    for one in sampled:
        ordered = sorted(zip(one.durations_ms, one.duration_packets, strict=True))
        pairs += [ordered[place] for place in evenly(len(ordered), max(round(rate * one.rows), 1))]
    pairs.sort()
    return tuple(duration for duration, _ in pairs), tuple(packets for _, packets in pairs)
