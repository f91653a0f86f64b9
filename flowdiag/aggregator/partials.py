"""Partial aggregates: sums, least and most by key, which combine in any order by one function.

Batches, files, days and machines are aggregated apart and merged: merge(merge(a, b), c) and merge(a, merge(b, c))
are the same table. Octets are kept in steps of 1/1024, so that their sums are exact in a double, and thereby equal
in any order, up to 8 * 10^12 octets. Less than a step counts as one, so that whoever sent anything has a share.

Exact by default. Beyond MAX_KEYS keys the smallest are folded into one remainder, as counter-based summaries of
heavy hitters do (Misra and Gries 1982; Space-Saving, Metwally et al. 2005; mergeable: Agarwal et al. 2012; cited
from memory): `error` then bounds what any single key may have lost, and what a key that is not in the table may have.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import reduce
from math import prod
from typing import Any, Final, Literal

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from msgspec import Struct, field
from msgspec.structs import replace
from numpy.typing import NDArray

from flowdiag.buffers import column, numbers

MAX_KEYS: Final = 500_000  # some 60 octets each: 30 MiB, and twice that while merging
KEPT_PART: Final = 2  # one in so many keys stays when it is folded, so that folding is rare
FEW_GROUPS: Final = 1 << 17  # so many cost a few milliseconds, used or not
STEP: Final = 1024.0  # octets are multiples of 1/STEP

Measure = Literal["octets", "packets", "flows"]
_SUMS: Final = ("octets", "wire_octets", "packets", "flows")
_SPAN: Final = (("first_ms", "min"), ("last_ms", "max"))
_LATEST: Final = np.int64(np.iinfo(np.int64).max)
# What Arrow calls the columns that it makes.
_PLAIN: Final = {
    **{f"{name}_sum": name for name in _SUMS},
    **{f"{name}_{kind}": name for name, kind in _SPAN},
    "count_all": "flows",
}


class Folded(Struct, frozen=True):
    """What was folded away: sums over keys that are not in the table, how many times keys were folded, and the most
    that one key can have lost by it: in the measure that the partial ranks by, and of its octets.
    """

    octets: float = 0.0
    wire_octets: float = 0.0
    packets: float = 0.0
    flows: float = 0.0
    keys: int = 0
    error: float = 0.0
    octets_error: float = 0.0

    def plus(self, other: Folded) -> Folded:
        return Folded(
            octets=self.octets + other.octets,
            wire_octets=self.wire_octets + other.wire_octets,
            packets=self.packets + other.packets,
            flows=self.flows + other.flows,
            keys=self.keys + other.keys,
            error=self.error + other.error,
            octets_error=self.octets_error + other.octets_error,
        )


class Partial(Struct, frozen=True, eq=False):
    """An aggregate by key. by: the measure that decides what is kept when keys are folded.

    table: one row a key, in ascending order of the key columns `keys`, then octets, wire_octets, packets, flows
    (float64), first_ms, last_ms (int64, ms since 1970 UTC).
    """

    keys: tuple[str, ...]
    by: Measure
    table: pa.Table
    folded: Folded = field(default_factory=Folded)

    def total(self, measure: str) -> float:
        """Sum over all keys, folded ones included."""
        return (pc.sum(self.table[measure]).as_py() or 0.0) + float(getattr(self.folded, measure))


def aggregate(
    keys: Mapping[str, pa.Array],
    by: Measure,
    *,
    octets: NDArray[np.float64],
    wire_octets: NDArray[np.float64],
    packets: NDArray[np.float64],
    first_ms: NDArray[np.int64],
    last_ms: NDArray[np.int64],
    part: NDArray[np.float64] | None = None,
    flows: NDArray[np.float64] | None = None,
    max_keys: int = MAX_KEYS,
) -> Partial:
    """The partial of some flows: columns of one length, key columns by name.

    octets, wire_octets, packets: whole numbers; part: how much of each flow counts, 0 to 1, all of it for None; flows:
    how many flows each row stands for, one for None.
    """
    values = (_counted(whole, part) for whole in (octets, wire_octets, packets))
    columns = {
        **dict(zip(("octets", "wire_octets", "packets"), values, strict=True)),
        "first_ms": first_ms,
        "last_ms": last_ms,
        **({} if flows is None else {"flows": flows}),
    }
    table = pa.table({**keys, **{name: column(values) for name, values in columns.items()}})
    return _bounded(_summed(table, tuple(keys)), by, Folded(), tuple(keys), max_keys)


def with_values(partial: Partial, pools: Mapping[str, pa.Array]) -> Partial:
    """A partial whose keys are numbers, with the values that they stand for. pools: distinct values by key column.

    Numbers are quicker to group and smaller, but hold within one process; partials from elsewhere merge by values.
    """
    table = partial.table
    for name, pool in pools.items():
        table = table.set_column(
            table.column_names.index(name), name, pool.take(table[name].combine_chunks())
        )
    return replace(partial, table=_ordered(table, partial.keys))


def nothing(keys: Mapping[str, pa.DataType], by: Measure) -> Partial:
    """The partial of no flows."""
    types = {**keys, **dict.fromkeys(_SUMS, pa.float64()), "first_ms": pa.int64(), "last_ms": pa.int64()}
    return Partial(tuple(keys), by, pa.table({name: pa.nulls(0, kind) for name, kind in types.items()}))


def merge(*partials: Partial, max_keys: int = MAX_KEYS) -> Partial:
    """All of them together, one at least. Raises ValueError unless they are by the same keys and measure."""
    first = partials[0]
    if any((other.keys, other.by) != (first.keys, first.by) for other in partials):
        raise ValueError("partials by different keys or measures cannot be merged")
    folded = reduce(Folded.plus, (partial.folded for partial in partials))
    table = _summed(pa.concat_tables([partial.table for partial in partials]), first.keys)
    return _bounded(table, first.by, folded, first.keys, max_keys)


def _counted(values: NDArray[np.float64], part: NDArray[np.float64] | None) -> NDArray[np.float64]:
    """What of whole values counts, in steps of 1/STEP; one of them at least where anything does."""
    cut = np.flatnonzero(part != 1.0) if part is not None else ()
    if part is None or not len(cut):
        return values
    counted = values.copy()
    parts = values[cut] * part[cut] * STEP
    counted[cut] = np.maximum(np.rint(parts), parts > 0.0) / STEP
    return counted


def _summed(table: pa.Table, keys: tuple[str, ...]) -> pa.Table:
    """One row a key, in ascending order of the keys. Rows without a column "flows" are one flow each."""
    counted = "flows" in table.column_names
    by_number = _summed_by_number(table, keys, counted=counted)
    if by_number is not None:
        return by_number
    aggregates: list[tuple[Any, str]] = [
        *((name, "sum") for name in _SUMS if counted or name != "flows"),
        *([] if counted else [([], "count_all")]),
        *_SPAN,
    ]
    grouped = table.group_by(list(keys), use_threads=False).aggregate(aggregates)
    grouped = grouped.rename_columns([_PLAIN.get(name, name) for name in grouped.column_names])
    if not counted:
        column = grouped.column_names.index("flows")
        grouped = grouped.set_column(column, "flows", grouped["flows"].cast(pa.float64()))
    return _ordered(grouped.select([*keys, *_SUMS, *(name for name, _ in _SPAN)]), keys)


def _summed_by_number(table: pa.Table, keys: tuple[str, ...], *, counted: bool) -> pa.Table | None:
    """What `_summed` makes of a table whose keys are numbers: they become one number, and a slot in an array does what a hash
    table does, at half the time and without the pandas that grouping loads. None for other keys.
    """
    if not table.num_rows or not all(pa.types.is_integer(table[key].type) for key in keys):
        return None
    columns = {name: numbers(table[name].combine_chunks()) for name in table.column_names}
    least = {key: int(columns[key].min()) for key in keys}
    sizes = {key: int(columns[key].max()) - least[key] + 1 for key in keys}
    if prod(sizes.values()) > _LATEST:
        return None
    groups, found = _numbered([columns[key] - least[key] for key in keys], list(sizes.values()))
    size = len(found[0])
    made: dict[str, NDArray[Any]] = {
        key: (values + least[key]).astype(columns[key].dtype) for key, values in zip(keys, found, strict=True)
    }
    for measure in _SUMS:
        counts = measure != "flows" or counted
        sums = np.bincount(groups, columns[measure] if counts else None, size)
        made[measure] = sums.astype(np.float64)
    first, last = np.full(size, _LATEST), np.full(size, -_LATEST)
    np.minimum.at(first, groups, columns["first_ms"])
    np.maximum.at(last, groups, columns["last_ms"])
    made |= {"first_ms": first, "last_ms": last}
    return pa.table({name: column(values) for name, values in made.items()})


def _numbered(
    keys: Sequence[NDArray[Any]], sizes: Sequence[int]
) -> tuple[NDArray[np.int64], list[NDArray[np.int64]]]:
    """The number of each row's keys, in ascending order of the keys, and what keys have each number. keys: from 0 up, each
    below its size."""
    code = np.zeros(len(keys[0]), np.int64)
    for values, size in zip(keys, sizes, strict=True):
        code = code * size + values
    if prod(sizes) <= max(len(code), FEW_GROUPS):
        there = np.flatnonzero(np.bincount(code))
        place = np.zeros(int(there[-1]) + 1, np.int64)
        place[there] = np.arange(len(there))
        groups = place[code]
    else:
        there, groups = np.unique(code, return_inverse=True)
    found = []
    for size in reversed(sizes):
        there, values = np.divmod(there, size)
        found.append(values)
    return groups, found[::-1]


def _ordered(table: pa.Table, keys: tuple[str, ...]) -> pa.Table:
    return table.sort_by([(key, "ascending") for key in keys]).combine_chunks()


def _bounded(table: pa.Table, by: Measure, folded: Folded, keys: tuple[str, ...], max_keys: int) -> Partial:
    """The partial of a table of _summed()."""
    partial = Partial(keys, by, table, folded)
    return partial if table.num_rows <= max_keys else _fold(partial, max_keys // KEPT_PART)


def _fold(partial: Partial, kept: int) -> Partial:
    """The `kept` largest keys by the measure; the rest is folded. Equal ones stay in the order of their keys."""
    values = numbers(partial.table[partial.by].combine_chunks())
    order = np.argsort(-values, kind="stable")
    stay, go = np.sort(order[:kept]), order[kept:]
    gone = partial.table.take(column(go))
    octets, wire_octets, packets, flows = (float(pc.sum(gone[name]).as_py()) for name in _SUMS)
    most_octets = float(pc.max(gone["octets"]).as_py())
    lost = Folded(octets, wire_octets, packets, flows, len(go), float(values[go].max()), most_octets)
    return replace(partial, table=partial.table.take(column(stay)), folded=partial.folded.plus(lost))
