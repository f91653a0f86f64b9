"""The tables of a roll-up as they grow, in numbers, and in the end as the shape has them."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from typing import Any, Final

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from flowdiag.buffers import column, text_column
from flowdiag.flows import ADDRESS
from flowdiag.rollup.folding import numbered, run_begins
from flowdiag.rollup.hashing import hashed
from flowdiag.rollup.kinds import OF_FOLDED, OF_MINUTE, OF_POINT, OF_SERVICE, coarser
from flowdiag.rollup.minutes import SPREAD, Timed, made_whole, some_paddings
from flowdiag.rollup.shape import AMOUNTS, KINDS, TABLES
from flowdiag.rollup.summaries import (
    FLAGS_KNOWN,
    FOLDED_KEYS,
    FOLDED_PART,
    KEYS,
    NOBODY,
    bounded,
    folded_conversations,
    joined,
    keys_of,
    own_keys_of,
    summed,
    taken,
)

Columns = dict[str, NDArray[Any]]
# Addresses whose partners are counted one by one, and slots that addresses are counted in.
_LOOKED_AT: Final = 32
_SLOT_BITS: Final = 16
# Rows of an hour stand together, the largest first.
_ORDER: Final = dict.fromkeys(KEYS, ("hour", "rank")) | {
    "folded": FOLDED_KEYS,
    "minutes": ("minute", "series"),
}


class Tables:
    """Takes what is summed up of parts of a file; settle() draws together what came since the last time."""

    def __init__(self) -> None:
        self._parts: dict[str, list[Columns]] = defaultdict(list)
        self._new: dict[str, list[Columns]] = defaultdict(list)
        self._hours: dict[int, NDArray[np.int64]] = defaultdict(lambda: np.zeros(4, np.int64))
        self._ends: dict[int, list[tuple[NDArray[np.uint64], NDArray[np.uint64]]]] = defaultdict(list)
        self._totals: dict[str, NDArray[np.float64]] = {}

    def add_part(self, tables: Mapping[str, Columns]) -> None:
        for name, columns in tables.items():
            self._new[name].append(columns)

    def add_hour(self, hour: int, src: NDArray[np.uint64], dst: NDArray[np.uint64], bare_syns: int) -> None:
        """src, dst: hashes of addresses."""
        self._hours[hour][:2] += len(src), bare_syns
        self._ends[hour].append((src, dst))

    def add_minutes(self, parts: Sequence[Timed], columns: Columns, series_count: int) -> None:
        self._parts["minutes"].append(columns)
        for name in SPREAD:
            total = np.zeros(series_count)
            known = self._totals.get(name, total)
            total[: len(known)] = known
            self._totals[name] = total
        for part in parts:
            values = {"octets": part.octets, "packets": part.packets}
            for name, value in (values | some_paddings(part.octets, part.packets)).items():
                self._totals[name] += np.bincount(part.series, value, series_count)

    def settle(self) -> None:
        for name, parts in self._new.items():
            columns = joined(parts)
            if name == "services":
                columns.pop("point")
            self._parts[name].append(summed(columns, KEYS.get(name, FOLDED_KEYS)))
        self._new = defaultdict(list)
        for hour, ends in self._ends.items():
            src, dst = (np.concatenate(side) for side in zip(*ends, strict=True))
            self._hours[hour][2:] += _most_partners(src, dst)
        self._ends = defaultdict(list)

    def finished(self, kinds: Columns, names: Sequence[str]) -> dict[str, pa.Table]:
        """The tables of shape.TABLES. kinds: of Kinds.table(); names: of applications by their number."""
        if not self._hours:
            return {name: schema.empty_table() for name, schema in TABLES.items()}
        hours = np.array(sorted(self._hours), np.int64)
        counts = np.array([self._hours[hour] for hour in hours.tolist()])
        limits = keys_of(counts[:, 0])
        lists = _Lists(kinds, names)
        drawn = {name: summed(joined(self._parts[name]), keys) for name, keys in KEYS.items()}
        lost = [*self._parts["folded"]]
        found: dict[str, Columns] = {}
        for name in KEYS:
            before: Columns = {}
            if name == "conversations":
                folded = drawn[name]["folded"]
                before = taken(drawn[name], np.flatnonzero(folded))
                drawn[name] = taken(drawn[name], np.flatnonzero(~folded))
            points = lists.points_of(name, drawn[name])
            found[name], go = bounded(drawn[name], points, limits, hours, own_keys_of(lists.points))
            lost.append(lists.lost(name, go))
            if before:
                go = joined([lists.to_fold(go), before])
                found[name] = self._with_folded(found[name], go, limits, hours)
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

    @staticmethod
    def _with_folded(
        stay: Columns, go: Columns, limits: NDArray[np.int64], hours: NDArray[np.int64]
    ) -> Columns:
        """Conversations that stay, with those to be folded, of each hour."""
        go = taken(go, np.argsort(go["hour"], kind="stable"))
        parts = [stay]
        begins = np.searchsorted(go["hour"], [*hours, hours[-1] + 1])
        for number, hour in enumerate(hours.tolist()):
            rows = np.arange(begins[number], begins[number + 1])
            if len(rows):
                made = folded_conversations(taken(go, rows), int(limits[number]) // FOLDED_PART)
                parts.append(made | {"hour": np.full(len(made["kind"]), hour, np.int64)})
        return summed(joined(parts), KEYS["conversations"])


class _Lists:
    """Turns numbers into what they stand for."""

    def __init__(self, kinds: Columns, names: Sequence[str]) -> None:
        point_of, points = coarser(kinds, OF_POINT)
        _, services = coarser(kinds, OF_SERVICE)
        self._folded_of, self._folds = coarser(kinds, OF_FOLDED)
        _, self._series = coarser(kinds, OF_MINUTE)
        self._kinds, self._points, self._services = kinds, points, services
        self.points = len(points["scope"])
        self._point_of = {"conversations": point_of, "services": _same_rows(services, points)}
        self._names = text_column(names)

    def points_of(self, summary: str, rows: Columns) -> NDArray[np.int32]:
        if summary == "hosts":
            return rows["point"]
        return self._point_of[summary][rows["service" if summary == "services" else "kind"]]

    def lost(self, summary: str, go: Columns) -> Columns:
        """What goes of a summary, as rows of what is folded."""
        point = self.points_of(summary, go)
        rows = {
            "hour": go["hour"],
            "summary": np.full(len(point), KINDS.index(summary), np.int8),
            "point": point,
            "keys": np.ones(len(point), np.int64),
            "error": go["octets"],
        } | {name: go[name] for name in AMOUNTS}
        number, at = numbered(hashed(*(rows[name].astype(np.int64) for name in FOLDED_KEYS)))
        error = np.zeros(len(at), np.int64)
        np.maximum.at(error, number, rows["error"])
        made = summed(rows, FOLDED_KEYS)
        return made | {"error": error}

    def to_fold(self, go: Columns) -> Columns:
        """Conversations with the kind that they are folded as."""
        return go | {"kind": self._folded_of.take(go["kind"])}

    def table(self, name: str, columns: Columns) -> pa.Table:
        """A table of the shape, in its order."""
        wanted = TABLES[name]
        if name in KEYS:
            columns = columns | {"rank": -columns["octets"]}
        order = np.lexsort([columns[key] for key in reversed(_ORDER[name])])
        columns = taken(columns, order)
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
        address = _address(columns["words"], columns["address"])
        return columns | _rows(self._points, columns["point"]) | {"address": address}

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
            "src_address": _address(columns["src_words"], columns["src"]),
            "dst_address": _address(columns["dst_words"], columns["dst"]),
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

    def _name(self, numbers: NDArray[np.int64]) -> pa.Array:
        return self._names.take(_unless(numbers, numbers < 0))


def _most_partners(src: NDArray[np.uint64], dst: NDArray[np.uint64]) -> tuple[int, int]:
    """The most destinations of one source and sources of one destination, at most."""
    return _most_others(src, dst), _most_others(dst, src)


def _most_others(one: NDArray[np.uint64], other: NDArray[np.uint64]) -> int:
    """Of whoever has most records, different others are counted; nobody else can have more than records. Addresses whose
    hashes share a slot count as one."""
    slots = (one >> np.uint64(64 - _SLOT_BITS)).view(np.intp)
    records = np.bincount(slots, minlength=1 << _SLOT_BITS)
    others_have = np.partition(records, len(records) - _LOOKED_AT - 1)[-_LOOKED_AT - 1]
    rows = np.flatnonzero((records > others_have).take(slots))
    pairs = rows[numbered(hashed(one.take(rows), other.take(rows)))[1]]
    return max(int(others_have), int(np.bincount(slots[pairs]).max(initial=0)))


def _address(octets: NDArray[np.uint32], hashes: NDArray[np.uint64]) -> pa.Array:
    """A column of addresses, null where the hash is nobody's."""
    known = pa.py_buffer(np.packbits(hashes != NOBODY, bitorder="little"))
    return pa.Array.from_buffers(ADDRESS, len(octets), [known, pa.py_buffer(np.ascontiguousarray(octets))])


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
