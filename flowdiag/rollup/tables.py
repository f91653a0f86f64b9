"""The tables of a roll-up as they grow, in numbers, and in the end as the shape has them."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from typing import Any, Final

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from flowdiag.addresses import UNKNOWN_ADDRESS
from flowdiag.buffers import address_column, column, text_column
from flowdiag.rollup.folding import run_begins
from flowdiag.rollup.kinds import OF_FOLDED, OF_MINUTE, OF_POINT, OF_SERVICE, coarser
from flowdiag.rollup.minutes import PADDED_38, PADDED_46, Timed, made_whole, paddings
from flowdiag.rollup.shape import AMOUNTS, KINDS, TABLES
from flowdiag.rollup.summaries import (
    FLAGS_KNOWN,
    FOLDED_KEYS,
    KEYS,
    NO_ADDRESS,
    SUMMARIES,
    bounded,
    joined,
    keys_of,
    summed,
    taken,
)

Columns = dict[str, NDArray[Any]]
_ADDRESSES: Final = {"hosts": ("address",), "services": (), "conversations": ("src", "dst")}
_ODD: Final = np.uint64(0x9E3779B97F4A7C15)  # 2^64 over the golden ratio, odd (from memory)


class Tables:
    """Takes what is summed up of parts of a file; address numbers of theirs hold until settle()."""

    def __init__(self) -> None:
        self._parts: dict[str, list[Columns]] = defaultdict(list)
        self._new: dict[str, list[Columns]] = defaultdict(list)
        self._pool: dict[bytes, int] = {}
        self._private: list[bool] = []
        self._hours: dict[int, NDArray[np.int64]] = defaultdict(lambda: np.zeros(4, np.int64))
        self._ends: dict[int, list[NDArray[np.int64]]] = defaultdict(list)
        self._totals: dict[str, NDArray[np.float64]] = {}

    def add_part(self, hour: int, tables: Mapping[str, Columns]) -> None:
        for name, columns in tables.items():
            self._new[name].append(columns)

    def add_hour(self, hour: int, src: NDArray[np.int32], dst: NDArray[np.int32], bare_syns: int) -> None:
        self._hours[hour][:2] += len(src), bare_syns
        self._ends[hour].append(src.astype(np.int64) << 32 | dst)

    def add_minutes(self, parts: Sequence[Timed], columns: Columns, series_count: int) -> None:
        self._parts["minutes"].append(columns)
        for name in ("octets", "packets", "padding_46", "padding_38"):
            total = np.zeros(series_count)
            known = self._totals.get(name, total)
            total[: len(known)] = known
            for part in parts:
                total += np.bincount(part.series, _value(part, name), series_count)
            self._totals[name] = total

    def settle(self, addresses: Sequence[bytes], private: NDArray[np.bool_]) -> None:
        """What was added so far is drawn together."""
        for name, parts in self._new.items():
            columns = joined(parts)
            for address in _ADDRESSES.get(name, ()):
                columns[address] = self._pooled(columns[address], addresses, private)
            keys = KEYS.get(name, FOLDED_KEYS)
            self._parts[name].append(summed(columns, keys))
        self._new = defaultdict(list)
        for hour, ends in self._ends.items():
            self._hours[hour][2:] += _most_partners(np.concatenate(ends), len(addresses))
        self._ends = defaultdict(list)

    def finished(self, kinds: Columns, names: Sequence[str]) -> dict[str, pa.Table]:
        """The tables of shape.TABLES. kinds: of Kinds.table(); names: of applications by their number."""
        if not self._hours:
            return {name: schema.empty_table() for name, schema in TABLES.items()}
        hours = np.array(sorted(self._hours), np.int64)
        counts = np.array([self._hours[hour] for hour in hours.tolist()])
        limits = keys_of(counts[:, 0])
        lists = _Lists(kinds, names, address_column(list(self._pool)), self._pool.get(UNKNOWN_ADDRESS, -1))
        drawn = {name: summed(joined(self._parts[name]), keys) for name, keys in KEYS.items()}
        lost = [*self._parts["folded"]]
        found: dict[str, Columns] = {}
        for name in KEYS:
            stay, go = bounded(name, drawn[name], limits, hours)
            if name == "conversations":
                lost.append(lists.lost(name, taken(go, np.flatnonzero(~go["folded"]))))
                stay = self._with_folded(stay, go, lists.folded_of, limits, hours)
            else:
                lost.append(lists.lost(name, go))
            found[name] = stay
        found["folded"] = summed(joined(lost), FOLDED_KEYS)
        made = {name: lists.table(name, columns) for name, columns in found.items()}
        made["minutes"] = lists.table("minutes", self._minutes())
        made["hours"] = pa.table(
            [column(hours), *(column(np.ascontiguousarray(count)) for count in counts.T)],
            names=TABLES["hours"].names,
        ).cast(TABLES["hours"])
        return {name: made[name] for name in TABLES}

    def _minutes(self) -> Columns:
        columns = joined(self._parts["minutes"])
        order = np.lexsort((columns["minute"], columns["series"]))
        columns = taken(columns, order)
        begins = run_begins([columns["series"], columns["minute"]])
        summed_up = {
            name: values[begins] if name in ("minute", "series") else np.add.reduceat(values, begins)
            for name, values in columns.items()
        }
        return made_whole(summed_up, self._totals)

    def _with_folded(
        self,
        stay: Columns,
        go: Columns,
        folded_of: NDArray[np.int32],
        limits: NDArray[np.int64],
        hours: NDArray[np.int64],
    ) -> Columns:
        """Conversations that stay, with one row for all others of a kind, protocol and pair of private ends, or of a kind
        and protocol."""
        if not len(go["hour"]):
            return stay
        private = np.array([*self._private, False])
        fresh = ~go["folded"]
        go["kind"] = np.where(fresh, folded_of[go["kind"] * fresh], go["kind"])
        for end in ("src", "dst"):
            go[end] = np.where(private[go[end]], go[end], NO_ADDRESS)
        for port in ("src_port", "dst_port"):
            go[port] = np.full(len(fresh), -1, np.int32)
        go["flags"] = np.zeros(len(fresh), np.int32)
        go["folded"] = np.ones(len(fresh), np.bool_)
        together = summed(joined([stay, go]), KEYS["conversations"])
        stay, beyond = bounded("conversations", together, limits, hours)
        if not len(beyond["hour"]):
            return stay
        for end in ("src", "dst"):
            beyond[end] = np.full(len(beyond[end]), NO_ADDRESS, np.int32)
        return summed(joined([stay, beyond]), KEYS["conversations"])

    def _pooled(
        self, numbers: NDArray[np.int32], addresses: Sequence[bytes], private: NDArray[np.bool_]
    ) -> NDArray[np.int32]:
        distinct, where = np.unique(numbers, return_inverse=True)
        of_distinct = np.full(len(distinct), NO_ADDRESS, np.int32)
        for place, number in enumerate(distinct.tolist()):
            if number >= 0:
                known = self._pool.setdefault(addresses[number], len(self._pool))
                if known == len(self._private):
                    self._private.append(bool(private[number]))
                of_distinct[place] = known
        return of_distinct[where]


class _Lists:
    """Turns numbers into what they stand for."""

    def __init__(self, kinds: Columns, names: Sequence[str], pool: pa.Array, unknown: int) -> None:
        point_of, points = coarser(kinds, OF_POINT)
        _, services = coarser(kinds, OF_SERVICE)
        self.folded_of, self._folds = coarser(kinds, OF_FOLDED)
        _, self._series = coarser(kinds, OF_MINUTE)
        self._kinds, self._points, self._services = kinds, points, services
        self._point_of = {"conversations": point_of, "services": _same_rows(services, points)}
        self._names, self._pool, self._unknown = text_column(names), pool, unknown

    def lost(self, summary: str, go: Columns) -> Columns:
        """What goes of a summary, as rows of what is folded."""
        if summary == "hosts":
            point = go["point"]
        else:
            point = self._point_of[summary][go["service" if summary == "services" else "kind"]]
        rows = {
            "hour": go["hour"],
            "summary": np.full(len(point), SUMMARIES.index(summary), np.int8),
            "point": point,
            "keys": np.ones(len(point), np.int64),
            "error": go["octets"],
        } | {name: go[name] for name in AMOUNTS}
        made = summed(rows, FOLDED_KEYS)
        if len(point):
            order = np.lexsort([rows[name] for name in reversed(FOLDED_KEYS)])
            begins = run_begins([rows[name][order] for name in FOLDED_KEYS])
            made["error"] = np.maximum.reduceat(rows["error"][order], begins)
        return made

    def table(self, name: str, columns: Columns) -> pa.Table:
        """A table of the shape, in its order."""
        wanted = TABLES[name]
        found = getattr(self, f"_of_{name}")(columns)
        arrays = []
        for field in wanted:
            values = found[field.name]
            arrays.append((values if isinstance(values, pa.Array) else _known(values)).cast(field.type))
        return pa.Table.from_arrays(arrays, schema=wanted)

    def _of_minutes(self, columns: Columns) -> dict[str, Any]:
        found = columns | _rows(self._series, columns["series"])
        keys = ("minute", "domain", "ingress", "egress", "metered", "dscp")
        order = np.lexsort([found[key] for key in reversed(keys)])
        return taken(found, order)

    def _of_hosts(self, columns: Columns) -> dict[str, Any]:
        address = columns["address"]
        return columns | _rows(self._points, columns["point"]) | {"address": self._address(address)}

    def _of_services(self, columns: Columns) -> dict[str, Any]:
        found = columns | _rows(self._services, columns["service"])
        return found | {"application": self._name(found["application"])}

    def _of_conversations(self, columns: Columns) -> dict[str, Any]:
        folded = columns["folded"]
        whole = _rows(self._kinds, columns["kind"] * ~folded)
        folds = _rows(self._folds, columns["kind"] * folded)
        what = {name: np.where(folded, folds.get(name, -1), values) for name, values in whole.items()}
        flags = columns["flags"]
        found: dict[str, Any] = {name: columns[name] for name in ("hour", *AMOUNTS)}
        found |= {
            "start": _timestamps(columns["first_ms"]),
            "end": _timestamps(columns["last_ms"]),
            "src_address": self._address(columns["src"]),
            "dst_address": self._address(columns["dst"]),
            "protocol": _unless(columns["protocol"], columns["protocol"] < 0),
            "tcp_flags": _unless(flags & ~FLAGS_KNOWN, flags & FLAGS_KNOWN == 0),
            "direction": _unless(what["metered"], what["metered"] > 1),
            "application": self._name(what["application"]),
            "end_reason": pa.nulls(len(folded), pa.uint8()),
            "domain": what["domain"],
            "sampling": what["sampling"],
            "folded": folded,
        }
        for name in ("src_port", "dst_port"):
            found[name] = _unless(columns[name], columns[name] < 0)
        for name, own in (("ingress_interface", "ingress"), ("egress_interface", "egress"), ("dscp", "dscp")):
            found[name] = _unless(what[own], what[own] < 0)
        return found

    def _of_folded(self, columns: Columns) -> dict[str, Any]:
        kinds = text_column(KINDS).take(column(columns["summary"]))
        return columns | _rows(self._points, columns["point"]) | {"kind": kinds}

    def _address(self, numbers: NDArray[np.int32]) -> pa.Array:
        return self._pool.take(_unless(numbers, (numbers < 0) | (numbers == self._unknown)))

    def _name(self, numbers: NDArray[np.int64]) -> pa.Array:
        return self._names.take(_unless(numbers, numbers < 0))


def _value(part: Timed, name: str) -> NDArray[np.float64]:
    if name == "padding_46":
        return paddings(part.octets, part.packets, PADDED_46)
    if name == "padding_38":
        return paddings(part.octets, part.packets, PADDED_38)
    values: NDArray[np.float64] = getattr(part, name)
    return values


def _most_partners(ends: NDArray[np.int64], addresses: int) -> tuple[int, int]:
    """The most destinations of one source and sources of one destination, at most: ends are source << 32 | destination.

    Pairs that come again are known by a table of slots; where another pair took the slot, one may count twice.
    """
    bits = max(int(2 * len(ends)).bit_length(), 8)
    with np.errstate(over="ignore"):
        slots = ((ends.view(np.uint64) * _ODD) >> np.uint64(64 - bits)).view(np.int64)
    places = np.arange(len(ends), dtype=np.int32)
    last = np.zeros(1 << bits, np.int32)
    last[slots] = places
    there = last.take(slots)
    ends = ends[np.flatnonzero((there == places) | (ends.take(there) != ends))]
    return int(np.bincount(ends >> 32).max()), int(np.bincount(ends & 0xFFFFFFFF).max())


def _same_rows(finer: Columns, coarse: Columns) -> NDArray[np.int32]:
    """Of each row of a finer table the number of the row of a coarser one."""
    names = list(coarse)
    rows = {row: n for n, row in enumerate(zip(*(coarse[name].tolist() for name in names), strict=True))}
    return np.array(
        [rows[row] for row in zip(*(finer[name].tolist() for name in names), strict=True)], np.int32
    )


def _rows(table: Columns, numbers: NDArray[Any]) -> Columns:
    return {name: values[numbers] for name, values in table.items()}


def _known(values: NDArray[Any]) -> pa.Array:
    return column(values)


def _unless(values: NDArray[Any], unknown: NDArray[np.bool_]) -> pa.Array:
    """Numbers as a column that is null where they are unknown."""
    if not unknown.any():
        return column(values)
    known = pa.py_buffer(np.packbits(~unknown, bitorder="little"))
    data = pa.py_buffer(np.ascontiguousarray(values))
    return pa.Array.from_buffers(pa.from_numpy_dtype(values.dtype), len(values), [known, data])


def _timestamps(values: NDArray[np.int64]) -> pa.Array:
    return column(values).cast(pa.timestamp("ms", tz="UTC"))
