"""Numbers for the kinds of record of a file: what a router says of a record besides its conversation, times and counters.

Facts the design follows: a router has some interfaces, code points and names of applications, so that a file of millions
of records has some dozens of kinds; a table of slots knows nearly every record's again by one look.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from flowdiag.aggregator.records import Records
from flowdiag.rollup.shape import POINT

# More than a router has interfaces and code points for: such a file is read as flows.
MAX_KINDS: Final = 1 << 12

_SLOT_BITS: Final = 14
_SHIFT: Final = np.uint64(64 - _SLOT_BITS)
_ODD: Final = np.uint64(0x9E3779B97F4A7C15)  # 2^64 over the golden ratio, odd (from memory)
_FREE: Final = np.int64(-1)
_DSCP_BITS, _METERED_BITS, _SCOPE_BITS, _NAME_BITS, _SOURCE_BITS = 7, 2, 2, 13, 14
_PAIR_BITS: Final = 14
_LAST_DSCP: Final = 63  # RFC 2474
_FACTORS: Final = 1 << (
    63 - _DSCP_BITS - _METERED_BITS - _SCOPE_BITS - _NAME_BITS - _SOURCE_BITS - _PAIR_BITS
)

# What of a kind decides in which rows of a table it is.
OF_POINT: Final = (*POINT, "scope")
OF_MINUTE: Final = (*POINT, "dscp")
OF_SERVICE: Final = (*OF_POINT, "application")
OF_FOLDED: Final = (*OF_POINT, "dscp", "sampling")
OF_CONVERSATION: Final = (*OF_FOLDED, "application")


class Numbers:
    """Gives each of few distinct numbers, none below 0, a number from 0 up, in order of their size within one call."""

    def __init__(self, most: int) -> None:
        self._most = most
        self._known: dict[int, int] = {}
        self._slots = np.full(1 << _SLOT_BITS, _FREE)
        self._given = np.zeros(1 << _SLOT_BITS, np.int32)
        self.overflowed = False

    def all(self) -> NDArray[np.int64]:
        return np.fromiter(self._known, np.int64, len(self._known))

    def of(self, values: NDArray[np.int64]) -> NDArray[np.int32]:
        """Shape [n]. Those too many all get 0."""
        with np.errstate(over="ignore"):
            slot = ((values.view(np.uint64) * _ODD) >> _SHIFT).view(np.intp)
        given = self._given.take(slot)
        missing = np.flatnonzero(self._slots.take(slot) != values)
        if len(missing):
            distinct, where = np.unique(values[missing], return_inverse=True)
            numbered = np.array([self._number(value) for value in distinct.tolist()], np.int32)
            given[missing] = numbered[where]
            self._slots[slot[missing]] = values[missing]
            self._given[slot[missing]] = given[missing]
        return given

    def _number(self, value: int) -> int:
        if value not in self._known:
            if len(self._known) >= self._most:
                self.overflowed = True
                return 0
            self._known[value] = len(self._known)
        return self._known[value]


class Kinds:
    """Numbers the kinds of a file's records. What is coarser than a kind is found by `coarser()`."""

    def __init__(self) -> None:
        self._pairs = Numbers(1 << _PAIR_BITS)
        self._factors = Numbers(_FACTORS)
        self._kinds = Numbers(MAX_KINDS)

    @property
    def overflowed(self) -> bool:
        return self._pairs.overflowed or self._factors.overflowed or self._kinds.overflowed

    def of(self, records: Records, scope: NDArray[np.int8]) -> NDArray[np.int32]:
        """The kind of each record; scope: as the shape has it. Shape [n]."""
        pair = (records.ingress.astype(np.int64) + 1) << 32 | (records.egress.astype(np.int64) + 1)
        code = self._pairs.of(pair).astype(np.int64)
        code = code << _SOURCE_BITS | records.source
        code = code << _NAME_BITS | (records.application + 1)
        code = code << _SCOPE_BITS | scope
        code = code << _METERED_BITS | records.metered
        code = code << _DSCP_BITS | (np.clip(records.dscp, -1, _LAST_DSCP) + 1)
        return self._kinds.of(code * _FACTORS + self._factors.of(records.sampling.astype(np.int64)))

    def table(self, domains: NDArray[np.int64]) -> dict[str, NDArray[np.int64]]:
        """What each kind is, by column; application is the number of its name, -1 for none. domains: by number of the source."""
        code, factor = np.divmod(self._kinds.all(), _FACTORS)
        columns: dict[str, NDArray[Any]] = {"sampling": self._factors.all()[factor]}
        for name, bits, least in (
            ("dscp", _DSCP_BITS, 1),
            ("metered", _METERED_BITS, 0),
            ("scope", _SCOPE_BITS, 0),
            ("application", _NAME_BITS, 1),
            ("source", _SOURCE_BITS, 0),
        ):
            columns[name] = (code & ((1 << bits) - 1)) - least
            code = code >> bits
        pair = self._pairs.all()[code]
        columns |= {"ingress": (pair >> 32) - 1, "egress": (pair & 0xFFFFFFFF) - 1}
        return columns | {"domain": domains[columns.pop("source")]}


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
