"""Who and what an hour's records were: the largest hosts, services and conversations of the records of one part of a file,
and what was folded of the others.

Fact the design follows: an hour of a busy site comes in many parts. Of each more keys are kept than of the hour in the
end, so that what folding loses is lost at the end, where the hour is known as a whole.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from flowdiag.aggregator.choosing import either
from flowdiag.aggregator.conversation_keys import mixed
from flowdiag.aggregator.services import ICMP, ICMPV6
from flowdiag.rollup.folding import Heaviest, heaviest, largest_of_groups, run_begins
from flowdiag.rollup.minutes import PADDED_38, PADDED_46, paddings
from flowdiag.rollup.shape import AMOUNTS

# Keys that are kept of an hour: one for so many records, within bounds.
RECORDS_A_KEY: Final = 48
LEAST_KEYS, MOST_KEYS = 64, 1_024
# Of conversations that are folded, pairs of private ends and protocols that are told apart, for each one that is kept.
FOLDED_PART: Final = 2
# So many times more are kept of a part of an hour.
IN_PARTS: Final = 2

NO_ADDRESS: Final = -1
FLAGS_KNOWN: Final = np.int32(1 << 16)
_SRC, _DST = 1, 2  # bits of the side of a service (aggregator/services.py), and of the scope

Columns = dict[str, NDArray[Any]]

HOST_KEYS: Final = ("hour", "point", "end", "address")
SERVICE_KEYS: Final = ("hour", "service", "protocol", "port")
CONVERSATION_KEYS: Final = (
    "hour", "folded", "kind", "protocol", "src", "dst", "src_port", "dst_port",
)  # fmt: skip
KEYS: Final = {"hosts": HOST_KEYS, "services": SERVICE_KEYS, "conversations": CONVERSATION_KEYS}
SEEN: Final = ("first_ms", "last_ms")
# What was folded, by kind of summary: amounts by hour and point, and how much one key may have lost.
FOLDED_KEYS: Final = ("hour", "summary", "point")
SUMMARIES: Final = tuple(KEYS)


def keys_of(records: NDArray[np.int64] | int, times: int = 1) -> Any:
    """How many keys are kept of so many records, that many times as many."""
    return np.clip(
        np.asarray(records) * times // RECORDS_A_KEY, times * LEAST_KEYS, times * MOST_KEYS
    ).astype(np.int64)


class HourPart(Struct, frozen=True, eq=False):
    """Records that ended in one hour (hours since 1970 UTC); columns of shape [n].

    src, dst: numbers of addresses; src_port, dst_port: -1 unknown; side: where the service is, as services.Ends has it; kind:
    of kinds.Kinds; point, service: what of it is a point and a kind of service; points: how many points there are.
    """

    hour: int
    start_ms: NDArray[np.int64]
    end_ms: NDArray[np.int64]
    octets: NDArray[np.float64]
    packets: NDArray[np.float64]
    src: NDArray[np.int32]
    dst: NDArray[np.int32]
    src_port: NDArray[np.int32]
    dst_port: NDArray[np.int32]
    protocol: NDArray[np.int16]
    tcp_flags: NDArray[np.int32]
    side: NDArray[np.int8]
    kind: NDArray[np.int32]
    point: NDArray[np.int32]
    service: NDArray[np.int32]

    def __len__(self) -> int:
        return len(self.start_ms)


def summarised(
    part: HourPart, points: int, fold_kind: NDArray[np.int32], private: NDArray[np.bool_]
) -> Mapping[str, Columns]:
    """Rows of each table of KEYS, and "folded". points: how many there are; fold_kind: by kind, the kind that its folded
    conversations stand as; private: by number of the address."""
    work = _Work(part, points)
    made = {
        "hosts": work.hosts(),
        "services": work.services(),
        "conversations": work.conversations(fold_kind, private),
    }
    return made | {"folded": joined(work.lost)}


class _Work:
    """The summaries of one part; `lost` grows with each of them by what it folded."""

    def __init__(self, part: HourPart, points: int) -> None:
        self.lost: list[Columns] = []
        self._part = part
        self._points = points
        self._most = int(keys_of(len(part), IN_PARTS))
        self._values = {"octets": part.octets, "packets": part.packets}
        for name, least in (("padding_46", PADDED_46), ("padding_38", PADDED_38)):
            padding = paddings(part.octets, part.packets, least)
            if padding.any():
                self._values[name] = padding
        self._total = self._sums(part.point, None, points)

    def hosts(self) -> Columns:
        """Of both ends, each among the largest of its own."""
        part = self._part
        ends, sources = [], []
        for end, address in enumerate((part.src, part.dst)):
            found = self._heaviest(address.astype(np.int64) << 12 | part.point)
            at = found.examples
            columns: Columns = {
                "point": part.point[at],
                "end": np.full(len(at), end, np.int8),
                "address": address[at],
            }
            ends.append(self._row(columns, found.key, found.rows))
            sources.append(found)
        gone = [self._gone(columns["point"], columns) for columns in ends]
        both = {name: gone[0][name] + gone[1][name] for name in AMOUNTS}
        error = np.maximum(sources[0].error, sources[1].error)  # a key is of one end
        self._fold("hosts", both, error, sources[0].lost + sources[1].lost)
        return joined(ends)

    def services(self) -> Columns:
        part = self._part
        port = either(part.side == _SRC, part.src_port, part.dst_port)
        port = (port + 1) * (part.side > 0) - 1
        found = self._heaviest(
            (port.astype(np.int64) + 1) << 24 | (part.protocol.astype(np.int64) + 1) << 12 | part.service
        )
        at = found.examples
        columns: Columns = {"service": part.service[at], "protocol": part.protocol[at], "port": port[at]}
        columns = self._row(columns, found.key, found.rows)
        self._fold("services", self._gone(part.point[at], columns), found.error, found.lost)
        return columns

    def conversations(self, fold_kind: NDArray[np.int32], private: NDArray[np.bool_]) -> Columns:
        part = self._part
        icmp = (part.protocol == ICMP) | (part.protocol == ICMPV6)
        side = part.side | icmp.astype(np.int8) * np.int8(_DST)
        src_port = (part.src_port + 1) * (side & _SRC) - 1
        dst_port = (part.dst_port + 1) * (side >> 1) - 1
        ends = part.src.astype(np.int64) << 32 | part.dst
        rest = (src_port.astype(np.int64) + 1) << 41 | (dst_port.astype(np.int64) + 1) << 24
        rest |= (part.protocol.astype(np.int64) + 1) << 12 | part.kind
        found = self._heaviest(ends, rest)
        at = found.examples
        columns: Columns = {
            "folded": np.zeros(len(at), np.bool_),
            "kind": part.kind[at],
            "protocol": part.protocol[at],
            "src": part.src[at],
            "dst": part.dst[at],
            "src_port": src_port[at],
            "dst_port": dst_port[at],
            "flags": _flags(part.tcp_flags, found),
        }
        columns = self._row(columns, found.key, found.rows)
        self._fold("conversations", self._gone(part.point[at], columns), found.error, found.lost)
        folded = found.folded(len(part))
        if not len(folded):
            return columns
        return joined([columns, self._folded_conversations(folded, fold_kind, private)])

    def _folded_conversations(
        self, rows: NDArray[np.intp], fold_kind: NDArray[np.int32], private: NDArray[np.bool_]
    ) -> Columns:
        """One row for each kind, protocol and pair of private ends; beyond the bound for each kind and protocol."""
        part = self._part
        kind, protocol = fold_kind.take(part.kind[rows]), part.protocol[rows]
        src, dst = ((number + 1) * private.take(number) - 1 for number in (part.src[rows], part.dst[rows]))
        what = (protocol.astype(np.int64) + 1) << 12 | kind
        ends = (src.astype(np.int64) + 1) << 32 | (dst.astype(np.int64) + 1)
        none = np.zeros(len(rows), np.int32)
        found = heaviest(mixed(ends, what), part.octets[rows], none, 1, self._most // FOLDED_PART)
        at, near = found.examples, rows[found.rows]
        parts = [self._folded_rows(kind[at], protocol[at], src[at], dst[at], found.key, near)]
        beyond = found.folded(len(rows))
        if len(beyond):
            _, first, number = np.unique(what[beyond], return_index=True, return_inverse=True)
            at = beyond[first]
            nobody = np.full(len(at), NO_ADDRESS, np.int32)
            parts.append(self._folded_rows(kind[at], protocol[at], nobody, nobody, number, rows[beyond]))
        return joined(parts)

    def _folded_rows(
        self,
        kind: NDArray[np.int32],
        protocol: NDArray[np.int16],
        src: NDArray[np.int32],
        dst: NDArray[np.int32],
        number: NDArray[np.intp],
        rows: NDArray[np.intp],
    ) -> Columns:
        """number: which of the folded rows each of the records adds to."""
        none = np.full(len(kind), -1, np.int32)
        columns: Columns = {
            "folded": np.ones(len(kind), np.bool_),
            "kind": kind,
            "protocol": protocol,
            "src": src,
            "dst": dst,
            "src_port": none,
            "dst_port": none,
            "flags": np.zeros(len(kind), np.int32),
        }
        return self._row(columns, number, rows)

    def _heaviest(self, *key: NDArray[np.int64]) -> Heaviest:
        return heaviest(mixed(*key), self._part.octets, self._part.point, self._points, self._most)

    def _row(self, columns: Columns, number: NDArray[np.intp], rows: NDArray[np.intp]) -> Columns:
        """The columns with the hour, and with amounts and times of the records of each; number: which each adds to."""
        count = len(next(iter(columns.values())))
        start, end = self._part.start_ms[rows], self._part.end_ms[rows]
        seen: Columns = {
            "hour": np.full(count, self._part.hour, np.int64),
            "first_ms": -_most_of(number, -start, count),
            "last_ms": _most_of(number, end, count),
        }
        return columns | seen | self._sums(number, rows, count)

    def _sums(self, number: NDArray[Any], rows: NDArray[np.intp] | None, count: int) -> Columns:
        """rows: None for all."""
        sums: Columns = {"flows": np.bincount(number, minlength=count)}
        for name in AMOUNTS:
            value = self._values.get(name)
            if value is not None:
                weights = value if rows is None else value.take(rows)
                sums[name] = np.bincount(number, weights, count).astype(np.int64)
            elif name != "flows":
                sums[name] = np.zeros(count, np.int64)
        return sums

    def _gone(self, points: NDArray[np.int32], kept: Columns) -> Columns:
        """What the records of each point have beyond the kept keys, whose points these are."""
        return {
            name: self._total[name] - np.bincount(points, kept[name], self._points).astype(np.int64)
            for name in AMOUNTS
        }

    def _fold(self, summary: str, gone: Columns, error: NDArray[np.float64], keys: NDArray[np.int64]) -> None:
        """gone, error, keys: by point."""
        there = np.flatnonzero(gone["flows"] > 0)
        what: Columns = {
            "hour": np.full(len(there), self._part.hour, np.int64),
            "summary": np.full(len(there), SUMMARIES.index(summary), np.int8),
            "point": there.astype(np.int32),
            "keys": keys[there],
            "error": np.ceil(error[there]).astype(np.int64),
        }
        self.lost.append(what | taken(gone, there))


def summed(columns: Columns, keys: Sequence[str]) -> Columns:
    """One row for each key, in ascending order of the keys; amounts, errors and numbers of keys add up."""
    order = np.lexsort([columns[name] for name in reversed(keys)])
    begins = run_begins([columns[name][order] for name in keys])
    made: Columns = {}
    for name, column in columns.items():
        if name in keys:
            made[name] = column[order[begins]]
        elif not len(order):
            made[name] = column
        else:
            made[name] = _REDUCED.get(name, np.add).reduceat(column[order], begins)
    return made


_REDUCED: Final[dict[str, np.ufunc]] = {"first_ms": np.minimum, "last_ms": np.maximum, "flags": np.bitwise_or}


def bounded(
    summary: str, columns: Columns, limits: NDArray[np.int64], hours: NDArray[np.int64]
) -> tuple[Columns, Columns]:
    """Rows of summed(): those that stay, and those to be folded. limits: of keys, for each of the hours (ascending)."""
    group = np.searchsorted(hours, columns["hour"])
    if summary == "conversations":
        group = 2 * group + columns["folded"]
        limits = np.stack([limits, np.maximum(limits // FOLDED_PART, 1)], axis=1).ravel()
    stay = largest_of_groups(group, columns["octets"], limits)
    return taken(columns, np.flatnonzero(stay)), taken(columns, np.flatnonzero(~stay))


def taken(columns: Columns, rows: NDArray[np.intp]) -> Columns:
    return {name: column[rows] for name, column in columns.items()}


def joined(parts: Sequence[Columns]) -> Columns:
    return {name: np.concatenate([part[name] for part in parts]) for name in parts[0]}


def _most_of(key: NDArray[np.intp], values: NDArray[np.int64], count: int) -> NDArray[np.int64]:
    """The greatest value of each key, each of which there is. Most values come in order, so the last is nearly it."""
    most = np.empty(count, np.int64)
    most[key] = values
    greater = np.flatnonzero(values > most.take(key))
    if len(greater):
        np.maximum.at(most, key[greater], values[greater])
    return most


def _flags(flags: NDArray[np.int32], found: Heaviest) -> NDArray[np.int32]:
    """The OR of the flags of each key, with FLAGS_KNOWN where any record has them."""
    of_rows = flags.take(found.rows)
    made = np.zeros(len(found.examples), np.int32)
    np.bitwise_or.at(made, found.key, (of_rows | FLAGS_KNOWN) * (of_rows >= 0))
    return made
