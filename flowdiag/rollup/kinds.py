"""Numbers for the kinds of record of a file: what a router says of a record besides its conversation, times and counters.

Facts the design follows: a router has some interfaces, code points and names of applications, so that a file of millions
of records has some dozens of kinds. A hash of what makes a kind is looked up in a table of slots, which knows nearly
every record's again by one look; only new kinds are touched in Python.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from flowdiag.buffers import fill_null, nulls, numbers
from flowdiag.rollup.hashing import ODD, mixed_once
from flowdiag.rollup.shape import POINT

# More than a router has interfaces and code points for: such a file is read as flows.
MAX_KINDS: Final = 1 << 12
NOT_SAID: Final = 2  # of flowDirection
LAST_DSCP: Final = 63  # RFC 2474

_SLOT_BITS: Final = 14
_SHIFT: Final = np.uint64(64 - _SLOT_BITS)
_FREE: Final = np.uint64(0)
_ANY: Final = (1 << 32) - 1
# Columns of the flow table that make a kind: what unknown values count as, and those above the last that means anything.
_COLUMNS: Final = {
    "domain": ("domain", 0, _ANY),
    "ingress_interface": ("ingress", -1, _ANY),
    "egress_interface": ("egress", -1, _ANY),
    "direction": ("metered", NOT_SAID, 1),
    "dscp": ("dscp", -1, LAST_DSCP),
    "sampling": ("sampling", 1, _ANY),
}
NAMES: Final = (*(name for name, _, _ in _COLUMNS.values()), "application", "scope")

# What of a kind decides in which rows of a table it is.
OF_POINT: Final = (*POINT, "scope")
OF_MINUTE: Final = (*POINT, "dscp")
OF_SERVICE: Final = (*OF_POINT, "application")
OF_FOLDED: Final = (*POINT, "dscp", "sampling")


class Kinds:
    """Numbers the kinds of a file's records, from 0 up. overflowed: there are more than are told apart."""

    def __init__(self) -> None:
        self.names: list[str] = []  # of applications, by their numbers
        self.overflowed = False
        self._name_numbers: dict[str, int] = {}
        self._rows: list[tuple[int, ...]] = []
        self._known: dict[int, int] = {}
        self._slots = np.full(1 << _SLOT_BITS, _FREE)
        self._given = np.zeros(1 << _SLOT_BITS, np.int32)

    def of(self, batch: pa.RecordBatch, scope: NDArray[np.int8]) -> NDArray[np.int32]:
        """The kind of each record of a batch of FLOW_SCHEMA; scope: as the shape has it. Shape [n]."""
        columns: dict[str, NDArray[Any]] = {}
        with np.errstate(over="ignore"):
            hashed = (scope.astype(np.uint64) + ODD[-1]) * ODD[0]
            for odd, (source, (name, unknown, last)) in zip(ODD[1:], _COLUMNS.items(), strict=False):
                columns[name] = values = _values(batch[source], unknown, last)
                if len(values) and (values == values[0]).all():
                    hashed += (values[:1].astype(np.int64) + 2).view(np.uint64) * odd
                else:
                    hashed += (values.astype(np.int64) + 2).view(np.uint64) * odd
            columns["application"] = names = self._named(batch["application"])
            if (names >= 0).any():
                hashed += (names.astype(np.int64) + 2).view(np.uint64) * ODD[7]
            else:
                hashed += ODD[7]
        columns["scope"] = scope
        return self._numbered(mixed_once(hashed), columns)

    def table(self) -> dict[str, NDArray[np.int64]]:
        """What each kind is, by column of NAMES; application is the number of its name, -1 for none."""
        rows = np.array(self._rows, np.int64).reshape(-1, len(NAMES))
        return dict(zip(NAMES, rows.T, strict=True))

    def _numbered(self, keys: NDArray[np.uint64], columns: dict[str, NDArray[Any]]) -> NDArray[np.int32]:
        slot = (keys >> _SHIFT).view(np.intp)
        given = self._given.take(slot)
        missing = np.flatnonzero(self._slots.take(slot) != keys)
        if len(missing):
            distinct, first, where = np.unique(keys[missing], return_index=True, return_inverse=True)
            numbered = np.empty(len(distinct), np.int32)
            for place, (key, row) in enumerate(zip(distinct.tolist(), missing[first].tolist(), strict=True)):
                if key not in self._known:
                    if len(self._rows) == MAX_KINDS:
                        self.overflowed = True
                        break
                    self._known[key] = len(self._rows)
                    self._rows.append(tuple(int(columns[name][row]) for name in NAMES))
                numbered[place] = self._known[key]
            if self.overflowed:
                return np.zeros(len(keys), np.int32)
            given[missing] = numbered[where]
            self._slots[slot[missing]] = keys[missing]
            self._given[slot[missing]] = given[missing]
        return given

    def _named(self, column: pa.DictionaryArray) -> NDArray[np.int32]:
        if column.null_count == len(column):
            return np.full(len(column), -1, np.int32)
        known = [-1 if name is None else self._name(name) for name in column.dictionary.to_pylist()]
        return np.array([*known, -1], np.int32).take(fill_null(column.indices, len(known)))

    def _name(self, name: str) -> int:
        number = self._name_numbers.setdefault(name, len(self.names))
        if number == len(self.names):
            self.names.append(name)
        return number


def _values(column: pa.Array, unknown: int, last: int) -> NDArray[Any]:
    if column.null_count == len(column):
        return np.full(len(column), unknown, np.int64)
    values: NDArray[Any] = numbers(column)
    beyond = last < _ANY and bool((values > last).any())
    if column.null_count or beyond:
        values = values.astype(np.int64)
        values[nulls(column) | (values > last)] = unknown
    return values


def coarser(
    table: dict[str, NDArray[np.int64]], names: tuple[str, ...]
) -> tuple[NDArray[np.int32], dict[str, NDArray[np.int64]]]:
    """Of each row of a table of kinds the number of what it is in these columns, from 0 up in order of appearance, so that
    a number stays what it is when kinds are added; and the table of these."""
    rows = np.stack([table[name] for name in names], axis=1)
    _, first, where = np.unique(rows, axis=0, return_index=True, return_inverse=True)
    order = np.argsort(first)
    number = np.empty(len(order), np.int32)
    number[order] = np.arange(len(order))
    return number[where.reshape(-1)], dict(zip(names, rows[first[order]].T, strict=True))
