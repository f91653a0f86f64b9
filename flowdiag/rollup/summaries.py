"""Who and what an hour's records were: the largest hosts, services and conversations of the records of one part of a file,
and what was folded of the others.

Facts the design follows:
- an hour of a busy site comes in parts. Of each as many keys are kept as of an hour of so many records, and of the hour in
  the end: what folding loses adds up;
- what little an idle link carries tells whether it is alive, and is nothing beside what a busy one does. So each point keeps
  its own largest keys besides;
- the ends of a private network, services and kinds of record are few, the addresses outside without number. So records
  are grouped once by what is few: services, private hosts and what is folded of conversations are summed up from these
  groups, and only conversations and hosts outside are looked for among the records.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from flowdiag.aggregator.choosing import either
from flowdiag.aggregator.services import AT_DST, AT_SRC, ICMP, ICMPV6, UNDECIDED
from flowdiag.rollup.folding import Heaviest, heaviest, largest_of_groups, numbered
from flowdiag.rollup.hashing import hashed
from flowdiag.rollup.minutes import some_paddings
from flowdiag.rollup.pieces import Piece
from flowdiag.rollup.shape import AMOUNTS, KINDS

# Keys that are kept of an hour: one for so many records, within bounds.
RECORDS_A_KEY: Final = 48
LEAST_KEYS, MOST_KEYS = 64, 1_024
# Besides, so many of each point (a kind of record, shape.POINT and scope), fewer where an exporter has many points.
OWN_KEYS: Final = 16
MOST_OWN_KEYS: Final = 1_024
# Of conversations that are folded, pairs of private ends and protocols that are told apart, for each one that is kept.
FOLDED_PART: Final = 2

NOBODY: Final = np.uint64(0)  # the hash of no address
FLAGS_KNOWN: Final = np.int32(1 << 16)
WORDS: Final = 4

Columns = dict[str, NDArray[Any]]

HOST_KEYS: Final = ("hour", "point", "end", "address")
SERVICE_KEYS: Final = ("hour", "service", "protocol", "port")
CONVERSATION_KEYS: Final = ("hour", "folded", "kind", "protocol", "src", "dst", "src_port", "dst_port")
KEYS: Final = {"hosts": HOST_KEYS, "services": SERVICE_KEYS, "conversations": CONVERSATION_KEYS}
# What was folded, by kind of summary: amounts by hour and point, and how much one key may have lost.
FOLDED_KEYS: Final = ("hour", "summary", "point")
# What is the same in all rows of a key.
_OF_KEY: Final = frozenset({"words", "src_words", "dst_words", "src_private", "dst_private"})


def keys_of(records: NDArray[np.int64] | int) -> Any:
    """How many keys are kept of so many records."""
    return np.clip(np.asarray(records) // RECORDS_A_KEY, LEAST_KEYS, MOST_KEYS).astype(np.int64)


def own_keys_of(points: int) -> int:
    """How many keys each of so many points keeps of its own."""
    return min(OWN_KEYS, MOST_OWN_KEYS // max(points, 1))


class Coarser(Struct, frozen=True, eq=False):
    """Of each kind of kinds.Kinds what it is as a point, a kind of service, and of folded conversations; points: how many."""

    point: NDArray[np.int32]
    service: NDArray[np.int32]
    folded: NDArray[np.int32]
    points: int


def summarised(hour: int, piece: Piece, side: NDArray[np.int8], coarser: Coarser) -> Mapping[str, Columns]:
    """Rows of each table of KEYS, and "folded", of records that ended in an hour. side: where each one's service is, as
    services.Ends has it."""
    part = _Part(hour, piece, side, coarser)
    made = {"hosts": part.hosts(), "services": part.services(), "conversations": part.conversations()}
    return made | {"folded": joined(part.lost)}


class _Part:
    """The summaries of one part; `lost` grows with each of them by what it folded."""

    def __init__(self, hour: int, piece: Piece, side: NDArray[np.int8], coarser: Coarser) -> None:
        self.lost: list[Columns] = []
        self._hour, self._piece, self._side, self._coarser = hour, piece, side, coarser
        self._most = int(keys_of(len(piece)))
        self._own = own_keys_of(coarser.points)
        self._point = coarser.point.take(piece.kind)
        self._values: dict[str, NDArray[np.float64]] = {"octets": piece.octets, "packets": piece.packets}
        self._values |= some_paddings(piece.octets, piece.packets)
        self._group()

    def _group(self) -> None:
        """By kind, protocol, port of the service, and private ends."""
        piece = self._piece
        port = either(self._side == AT_SRC, piece.src_port, piece.dst_port)
        port = (port + 1) * (self._side != UNDECIDED)
        what = piece.kind.astype(np.int64) << 32 | (piece.protocol.astype(np.int64) + 1) << 20 | port
        src, dst = piece.src * piece.src_private, piece.dst * piece.dst_private
        self._key = hashed(what, src, dst)
        self._group_of, at = numbered(self._key)
        self._groups: Columns = {
            "kind": piece.kind[at],
            "point": self._point[at],
            "protocol": piece.protocol[at],
            "port": port[at].astype(np.int32) - np.int32(1),
            "src": src[at],
            "dst": dst[at],
            "src_words": piece.addresses("src", at) * piece.src_private[at][:, None],
            "dst_words": piece.addresses("dst", at) * piece.dst_private[at][:, None],
            "src_private": piece.src_private[at],
            "dst_private": piece.dst_private[at],
        } | self._sums(self._group_of, None, len(at))
        self._total = {
            name: _added(self._groups["point"], self._groups[name], self._coarser.points) for name in AMOUNTS
        }

    def hosts(self) -> Columns:
        """Of both ends. Private ones are among the largest of those, others of these."""
        made, error = [], np.zeros(self._coarser.points)
        lost = np.zeros(self._coarser.points, np.int64)
        for end, name in enumerate(("src", "dst")):
            columns, of_private = self._private_hosts(name)
            parts = [columns]
            outside = np.flatnonzero(~getattr(self._piece, f"{name}_private"))
            if len(outside):
                columns, found = self._hosts_outside(name, outside)
                parts.append(columns)
                error, lost = np.maximum(error, found.error), lost + found.lost
            error = np.maximum(error, of_private[0])
            lost += of_private[1]
            columns = joined(parts)
            made.append(columns | {"end": np.full(len(columns["point"]), end, np.int8)})
        hosts = joined(made)
        gone = {
            name: 2 * total - _added(hosts["point"], hosts[name], len(total))
            for name, total in self._total.items()
        }
        self._fold("hosts", gone, error, lost)
        return self._with_hour(hosts)

    def _private_hosts(self, name: str) -> tuple[Columns, tuple[NDArray[np.float64], NDArray[np.int64]]]:
        groups = taken(self._groups, np.flatnonzero(self._groups[f"{name}_private"]))
        number, at = numbered(hashed(groups[name], groups["point"].astype(np.int64)))
        columns: Columns = {
            "point": groups["point"][at],
            "address": groups[name][at],
            "words": groups[f"{name}_words"][at],
        }
        return self._largest(columns | _summed_up(groups, number, len(at)))

    def _hosts_outside(self, name: str, rows: NDArray[np.intp]) -> tuple[Columns, Heaviest]:
        address, point = getattr(self._piece, name).take(rows), self._point.take(rows)
        key = hashed(address, point.astype(np.int64))
        octets = self._piece.octets.take(rows)
        found = heaviest(key, octets, point, self._coarser.points, self._most, self._own)
        at = found.examples
        columns: Columns = {
            "point": point[at],
            "address": address[at],
            "words": self._piece.addresses(name, rows[at]),
        }
        return columns | self._sums(found.key, rows[found.rows], len(at)), found

    def services(self) -> Columns:
        groups = self._groups
        service = self._coarser.service.take(groups["kind"])
        what = (groups["port"].astype(np.int64) + 1) << 16 | (groups["protocol"].astype(np.int64) + 1)
        number, at = numbered(hashed(what, service.astype(np.int64)))
        columns: Columns = {
            "point": groups["point"][at],
            "service": service[at],
            "protocol": groups["protocol"][at],
            "port": groups["port"][at],
        }
        columns, (error, lost) = self._largest(columns | _summed_up(groups, number, len(at)))
        gone = {
            name: total - _added(columns["point"], columns[name], len(total))
            for name, total in self._total.items()
        }
        self._fold("services", gone, error, lost)
        return self._with_hour(columns)

    def conversations(self) -> Columns:
        piece = self._piece
        icmp = (piece.protocol == ICMP) | (piece.protocol == ICMPV6)
        side = self._side | icmp.astype(np.int8) * np.int8(AT_DST)
        which = side.astype(np.int64) | (piece.dst_port.astype(np.int64) << 8) * icmp
        key = hashed(self._key, piece.src, piece.dst, which)
        found = heaviest(key, piece.octets, self._point, self._coarser.points, self._most, self._own)
        at = found.examples
        columns: Columns = {
            "folded": np.zeros(len(at), np.bool_),
            "kind": piece.kind[at],
            "protocol": piece.protocol[at],
            "src_port": (piece.src_port[at] + 1) * (side[at] & AT_SRC) - 1,
            "dst_port": (piece.dst_port[at] + 1) * (side[at] >> 1) - 1,
            "flags": _flags(piece.tcp_flags, found),
        }
        for end in ("src", "dst"):
            columns |= {end: getattr(piece, end)[at], f"{end}_private": getattr(piece, f"{end}_private")[at]}
            columns[f"{end}_words"] = piece.addresses(end, at)
        columns |= self._sums(found.key, found.rows, len(at))
        point = self._point[at]
        gone = {name: total - _added(point, columns[name], len(total)) for name, total in self._total.items()}
        self._fold("conversations", gone, found.error, found.lost)
        return self._with_hour(joined([columns, self._folded_conversations(found)]))

    def _folded_conversations(self, found: Heaviest) -> Columns:
        """One row for each kind, protocol and pair of private ends; beyond the bound for each kind and protocol. Their
        times are those of all conversations of their group."""
        count = len(self._groups["kind"])
        kept = self._sums(self._group_of.take(found.rows), found.rows, count, timed=False)
        rest = self._groups | {name: self._groups[name] - kept[name] for name in AMOUNTS}
        rest = taken(rest, np.flatnonzero(rest["flows"] > 0))
        rest["kind"] = self._coarser.folded.take(rest["kind"])
        return folded_conversations(rest, self._most // FOLDED_PART)

    def _largest(self, columns: Columns) -> tuple[Columns, tuple[NDArray[np.float64], NDArray[np.int64]]]:
        """The largest rows, with the error and the number of keys of what is left out, by point."""
        error, lost = np.zeros(self._coarser.points), np.zeros(self._coarser.points, np.int64)
        octets, point = columns["octets"], columns["point"]
        if len(octets) <= self._most:
            return columns, (error, lost)
        stay = _largest(np.zeros(len(octets), np.intp), point, octets, np.array([self._most]), self._own)
        gone = np.flatnonzero(~stay)
        np.maximum.at(error, point[gone], octets[gone])
        lost += np.bincount(point[gone], minlength=len(lost))
        return taken(columns, np.flatnonzero(stay)), (error, lost)

    def _with_hour(self, columns: Columns) -> Columns:
        return columns | {"hour": np.full(len(columns["flows"]), self._hour, np.int64)}

    def _sums(
        self, number: NDArray[Any], rows: NDArray[np.intp] | None, count: int, *, timed: bool = True
    ) -> Columns:
        """Amounts and times by number. rows: None for all."""
        sums: Columns = {"flows": np.bincount(number, minlength=count)}
        for name in AMOUNTS:
            value = self._values.get(name)
            if value is not None:
                weights = value if rows is None else value.take(rows)
                sums[name] = np.bincount(number, weights, count).astype(np.int64)
            elif name != "flows":
                sums[name] = np.zeros(count, np.int64)
        if timed:
            start, end = self._piece.start_ms, self._piece.end_ms
            if rows is not None:
                start, end = start.take(rows), end.take(rows)
            sums["first_ms"] = _least_of(number, start, count)
            sums["last_ms"] = -_least_of(number, -end, count)
        return sums

    def _fold(self, summary: str, gone: Columns, error: NDArray[np.float64], keys: NDArray[np.int64]) -> None:
        """gone, error, keys: by point."""
        there = np.flatnonzero(gone["flows"] > 0)
        what: Columns = {
            "hour": np.full(len(there), self._hour, np.int64),
            "summary": np.full(len(there), KINDS.index(summary), np.int8),
            "point": there.astype(np.int32),
            "keys": keys[there],
            "error": np.ceil(error[there]).astype(np.int64),
        }
        self.lost.append(what | taken(gone, there))


def folded_conversations(columns: Columns, most: int) -> Columns:
    """Rows of conversations of one hour to be folded, as rows of those that are: one for each kind, protocol and pair of
    private ends, and where there are more than `most`, for each kind and protocol of the smallest."""
    made = _alike(columns)
    octets = made["octets"]
    if len(octets) <= most:
        return made
    order = np.argsort(-octets, kind="stable")
    beyond = taken(made, order[most:])
    for end in ("src", "dst"):
        beyond[f"{end}_private"] = np.zeros(len(beyond["kind"]), np.bool_)
    return joined([taken(made, np.sort(order[:most])), _alike(beyond)])


def _alike(columns: Columns) -> Columns:
    src, dst = (columns[end] * columns[f"{end}_private"] for end in ("src", "dst"))
    what = columns["kind"].astype(np.int64) << 16 | (columns["protocol"].astype(np.int64) + 1)
    number, at = numbered(hashed(what, src, dst))
    none = np.full(len(at), -1, np.int32)
    made: Columns = {
        "folded": np.ones(len(at), np.bool_),
        "kind": columns["kind"][at],
        "protocol": columns["protocol"][at],
        "src_port": none,
        "dst_port": none,
        "flags": np.zeros(len(at), np.int32),
        "src": src[at],
        "dst": dst[at],
    }
    for end in ("src", "dst"):
        private = made[f"{end}_private"] = columns[f"{end}_private"][at]
        made[f"{end}_words"] = columns[f"{end}_words"][at] * private[:, None]
    return made | _summed_up(columns, number, len(at))


def _summed_up(columns: Columns, number: NDArray[np.intp], count: int) -> Columns:
    """Amounts and times by number, of rows that have them."""
    made: Columns = {name: _added(number, columns[name], count) for name in AMOUNTS}
    made["first_ms"] = _least_of(number, columns["first_ms"], count)
    made["last_ms"] = -_least_of(number, -columns["last_ms"], count)
    return made


def _added(number: NDArray[Any], values: NDArray[np.int64], count: int) -> NDArray[np.int64]:
    return np.bincount(number, values, count).astype(np.int64)


def summed(columns: Columns, keys: Sequence[str]) -> Columns:
    """One row for each key; amounts, errors and numbers of keys add up."""
    number, at = numbered(hashed(*(_of_64_bits(columns[name]) for name in keys)))
    made: Columns = {}
    for name, column in columns.items():
        if name in keys or name in _OF_KEY:
            made[name] = column[at]
        elif name == "first_ms":
            made[name] = _least_of(number, column, len(at))
        elif name == "last_ms":
            made[name] = -_least_of(number, -column, len(at))
        elif name == "flags":
            made[name] = np.zeros(len(at), np.int32)
            np.bitwise_or.at(made[name], number, column)
        else:
            made[name] = _added(number, column, len(at))
    return made


def _of_64_bits(column: NDArray[Any]) -> NDArray[Any]:
    return column if column.dtype.itemsize == 8 else column.astype(np.int64)


def bounded(
    columns: Columns, points: NDArray[np.int32], limits: NDArray[np.int64], hours: NDArray[np.int64], own: int
) -> tuple[Columns, Columns]:
    """Rows of summed(): those that stay, and those to be folded. points: of each row; limits: of keys, for each of the hours
    (ascending); own: of each point's keys of an hour, besides."""
    stay = _largest(np.searchsorted(hours, columns["hour"]), points, columns["octets"], limits, own)
    return taken(columns, np.flatnonzero(stay)), taken(columns, np.flatnonzero(~stay))


def _largest(
    hours: NDArray[np.intp],
    points: NDArray[np.int32],
    octets: NDArray[np.int64],
    limits: NDArray[np.int64],
    own: int,
) -> NDArray[np.bool_]:
    """Which rows are among the largest of their hour, or among the `own` largest of it and their point. hours: numbers from 0 up;
    limits: for each of them. Shape [n]."""
    stay = largest_of_groups(hours, octets, limits)
    count = int(points.max(initial=0)) + 1
    place = hours * count + points
    short = np.bincount(place[stay], minlength=len(limits) * count) < own
    rows = np.flatnonzero(short[place])
    stay[rows] = largest_of_groups(place[rows], octets[rows], np.full(len(short), own))
    return stay


def taken(columns: Columns, rows: NDArray[np.intp]) -> Columns:
    return {name: column.take(rows, axis=0) for name, column in columns.items()}


def joined(parts: Sequence[Columns]) -> Columns:
    return {name: np.concatenate([part[name] for part in parts]) for name in parts[0]}


def _least_of(number: NDArray[Any], values: NDArray[np.int64], count: int) -> NDArray[np.int64]:
    """The least value of each number, each of which there is. Most values come in order, so one at an end is nearly it."""
    least = np.empty(count, np.int64)
    if not count:
        return least
    backwards = values[0] < values[-1]
    least[number[::-1] if backwards else number] = values[::-1] if backwards else values
    less = np.flatnonzero(values < least.take(number))
    if len(less):
        np.minimum.at(least, number[less], values[less])
    return least


def _flags(flags: NDArray[np.int32], found: Heaviest) -> NDArray[np.int32]:
    """The OR of the flags of each key, with FLAGS_KNOWN where any record has them."""
    of_rows = flags.take(found.rows)
    made = np.zeros(len(found.examples), np.int32)
    np.bitwise_or.at(made, found.key, (of_rows | FLAGS_KNOWN) * (of_rows >= 0))
    return made
