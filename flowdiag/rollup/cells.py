"""The summaries of several files as columns: their rows, what was folded out of them, and the cells that both belong to.

A cell is an hour of flows of one point (points.py) whose ends are of the same private networks or not: the most that a
summary tells of what counts where. There are some dozen an hour.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from msgspec import Struct
from numpy.typing import NDArray

from flowdiag.aggregator.records import NOT_SAID, Interner
from flowdiag.buffers import address_column, column, fill_null, numbers, one_chunk
from flowdiag.rollup.hours import Hours
from flowdiag.rollup.points import Points
from flowdiag.rollup.shape import AMOUNTS, RollUp

Columns = dict[str, NDArray[Any]]

_POINT: Final = ("source", "ingress", "egress", "metered")
KEYS: Final = ("hour", *_POINT, "scope")
NO_SCOPE: Final = -1  # of conversations, which name both ends
# What these are called in a table of flows.
_AS_FLOWS: Final = {"ingress": "ingress_interface", "egress": "egress_interface", "metered": "direction"}


def summary(rollup: RollUp, table: str, hours: Hours, interner: Interner) -> Columns:
    """The rows of a table of hosts, services or conversations of some hours: KEYS (int64), AMOUNTS (float64), first_ms,
    last_ms; of hosts end and address (its number); of services protocol, port and name (number of the exporter's, -1
    none); of conversations protocol, port, name, src and dst."""
    rows = _of_hours(rollup.tables[table], hours)
    if table == "conversations":  # rows that stand for several are among what was folded
        rows = rows.filter(pc.invert(rows["folded"]))
    found = _keys(rows, rollup.exporter, interner) | _amounts(rows)
    if table == "conversations":
        return found | _conversations(rows, interner)
    found |= {name: _numbers(rows, name) for name in ("first_ms", "last_ms")}
    if table == "hosts":
        (address,) = interner.addresses.of(one_chunk(rows["address"]))
        return found | {"end": _numbers(rows, "end"), "address": address}
    return found | _service(rows, interner) | {"port": _numbers(rows, "port")}


def folded(rollup: RollUp, kind: str, hours: Hours, interner: Interner) -> Columns:
    """What was folded out of a kind of summary in some hours: KEYS, AMOUNTS, keys and error (float64)."""
    rows = rollup.tables["folded"]
    rows = rows.filter(pa.chunked_array([column(_equal(one_chunk(rows["kind"]), kind))]))
    rows = _of_hours(rows, hours)
    more = {name: _numbers(rows, name).astype(np.float64) for name in ("keys", "error")}
    return _keys(rows, rollup.exporter, interner) | _amounts(rows) | more


def joined(parts: Sequence[Columns]) -> Columns:
    """Rows of one table, one after another; one part at least."""
    return {name: np.concatenate([part[name] for part in parts]) for name in parts[0]}


def of_hours(rows: Columns, hours: Hours) -> Columns:
    """Those of some hours."""
    wanted = hours.has(rows["hour"])
    return rows if wanted.all() else {name: values[wanted] for name, values in rows.items()}


class Cells(Struct, frozen=True, eq=False):
    """hour, scope: of each cell; point: which of `points` it is of. Shape [cells]."""

    hour: NDArray[np.int64]
    scope: NDArray[np.int64]
    point: NDArray[np.intp]
    points: Points

    def __len__(self) -> int:
        return len(self.hour)


def cells_of(*tables: Columns) -> tuple[Cells, list[NDArray[np.intp]]]:
    """The cells of some tables, and the number of each row's cell in each of them."""
    begins = [_run_begins([table[name] for name in KEYS]) for table in tables]
    runs = {
        name: np.concatenate([table[name][begin] for table, begin in zip(tables, begins, strict=True)])
        for name in KEYS
    }
    first, number = _distinct([runs[name] for name in KEYS])
    each = {name: values[first] for name, values in runs.items()}
    first, point = _distinct([each[name] for name in _POINT])
    points = Points(*(each[name][first] for name in _POINT))
    ends = np.cumsum([len(begin) for begin in begins])[:-1]
    rows = [
        np.repeat(part, np.diff(begin, append=len(table["hour"])))
        for table, begin, part in zip(tables, begins, np.split(number, ends), strict=True)
    ]
    return Cells(each["hour"], each["scope"], point, points), rows


def added_up(values: NDArray[np.float64], number: NDArray[np.intp], count: int) -> NDArray[np.float64]:
    """The sums of values by number, from 0 up. Shape [count]."""
    sums: NDArray[np.float64] = np.bincount(number, values, count).astype(np.float64)
    return sums


def _run_begins(keys: list[NDArray[Any]]) -> NDArray[np.intp]:
    """Where runs of equal rows begin: a roll-up has its rows in order, so that they are few. Shape [runs]."""
    differs = np.ones(len(keys[0]), np.bool_)
    if len(differs):
        differs[1:] = False
        for values in keys:
            differs[1:] |= values[1:] != values[:-1]
    return np.flatnonzero(differs)


def _distinct(keys: list[NDArray[Any]]) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """One row of each that are distinct, and which of those each row is. In order of the keys."""
    code = np.zeros(len(keys[0]), np.int64)
    for values in keys:
        some, where = np.unique(values, return_inverse=True)
        code = np.unique(code * len(some) + where.reshape(-1), return_inverse=True)[1].reshape(-1)
    _, first, number = np.unique(code, return_index=True, return_inverse=True)
    return first, number.reshape(-1)


def _of_hours(rows: pa.Table, hours: Hours) -> pa.Table:
    wanted = hours.has(_numbers(rows, "hour"))
    return rows if wanted.all() else rows.filter(pa.chunked_array([column(wanted)]))


def _keys(rows: pa.Table, exporter: bytes, interner: Interner) -> Columns:
    domains = fill_null(one_chunk(rows["domain"]), 0, np.uint32)
    exporters = pa.repeat(address_column([exporter])[0], len(domains))
    found = {
        "hour": _numbers(rows, "hour"),
        "source": interner.number_sources(exporters, domains).astype(np.int64),
        "scope": _numbers(rows, "scope") if "scope" in rows.column_names else np.full(len(domains), NO_SCOPE),
    }
    for name, unknown in (("ingress", -1), ("egress", -1), ("metered", NOT_SAID)):
        there = name if name in rows.column_names else _AS_FLOWS[name]
        found[name] = fill_null(one_chunk(rows[there]), unknown, np.int64)
    return found


def _amounts(rows: pa.Table) -> Columns:
    return {name: fill_null(one_chunk(rows[name]), 0, np.float64) for name in AMOUNTS}


def _service(rows: pa.Table, interner: Interner) -> Columns:
    return {
        "protocol": fill_null(one_chunk(rows["protocol"]), -1, np.int16),
        "name": interner.number_names(one_chunk(rows["application"]).dictionary_encode()),
    }


def _conversations(rows: pa.Table, interner: Interner) -> Columns:
    src, dst = interner.addresses.of(one_chunk(rows["src_address"]), one_chunk(rows["dst_address"]))
    at_src, at_dst = (fill_null(one_chunk(rows[name]), -1, np.int32) for name in ("src_port", "dst_port"))
    first, last = (fill_null(one_chunk(rows[name]), 0, stored=np.int64) for name in ("start", "end"))
    return _service(rows, interner) | {
        "src": src,
        "dst": dst,
        "port": np.where(at_src >= 0, at_src, at_dst),
        "first_ms": first,
        "last_ms": last,
    }


def _equal(texts: pa.Array, wanted: str) -> NDArray[np.bool_]:
    encoded = texts.dictionary_encode()
    known = np.array([text == wanted for text in encoded.dictionary.to_pylist()], np.bool_)
    return known[numbers(encoded.indices)] if len(known) else np.zeros(len(texts), np.bool_)


def _numbers(rows: pa.Table, name: str) -> NDArray[Any]:
    return numbers(one_chunk(rows[name]))
