"""Numbers for addresses, the same through all batches of an export.

Facts the design follows: a batch has many records but far fewer distinct addresses, nearly all of them IPv4, that is,
one 32-bit integer each. A table of slots knows most of them again; of the others the distinct ones are touched in Python.
"""

from __future__ import annotations

from collections import defaultdict
from itertools import count
from typing import Final

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from flowdiag.address_ranges import OCTETS_16
from flowdiag.addresses import UNKNOWN_ADDRESS, V4_PREFIX
from flowdiag.buffers import address_column, numbers

# Beyond so many distinct addresses (a flood with invented sources) further ones are counted together: a million
# take about 150 MiB here, beside what the columns of four million flows and a step of the work on them take.
MAX_ADDRESSES: Final = 1_000_000

UNKNOWN: Final = address_column([UNKNOWN_ADDRESS])[0]
_SLOT_BITS: Final = 18  # 2 MiB, which the processor's cache holds
_SLOTS: Final = 1 << _SLOT_BITS
_SHIFT: Final = np.uint32(32 - _SLOT_BITS)
# 2^32 over the golden ratio, odd (from memory): neighbours fall far apart.
_ODD: Final = np.uint32(0x9E3779B1)
# Fewer values at a time are sooner looked up than a table for them is made.
_WORTH_A_TABLE: Final = 1 << 16
_NONE: Final = np.int32(-1)
_V4_FRONT: Final = np.frombuffer(V4_PREFIX, np.uint32)


class AddressNumbers:
    """Gives each address a number, from 0 up in order of appearance. overflowed: there were too many."""

    def __init__(self, most: int = MAX_ADDRESSES) -> None:
        self._most = most
        self._numbers: defaultdict[bytes, int] = defaultdict(count().__next__)
        # The address met last of all that fall in a slot, and its number: most that come are there.
        self._slot_v4 = np.zeros(0, np.uint32)
        self._slot_numbers = np.zeros(0, np.int32)
        self.overflowed = False

    def __len__(self) -> int:
        return len(self._numbers)

    def all(self) -> tuple[bytes, ...]:
        """The addresses, by their numbers."""
        return tuple(self._numbers)

    def of(self, *columns: pa.Array) -> list[NDArray[np.int32]]:
        """The numbers of the addresses of each column of 16 octets; null counts as the unknown address."""
        octets = np.concatenate([words(column) for column in columns])
        v4 = (octets.view(np.uint64)[:, 0] == 0) & (octets[:, 2] == _V4_FRONT[2])
        if v4.all():
            given = self._of_v4(octets[:, 3])
        else:
            given = np.empty(len(octets), np.int32)
            given[v4] = self._of_v4(octets[v4, 3])
            given[~v4] = self._of_any(octets[~v4])
        return np.split(given, np.cumsum([len(column) for column in columns])[:-1])

    def _of_v4(self, values: NDArray[np.uint32]) -> NDArray[np.int32]:
        if not len(self._slot_v4):
            if len(values) < _WORTH_A_TABLE:
                return self._look_up_v4(values)
            self._slot_v4, self._slot_numbers = np.zeros(_SLOTS, np.uint32), np.full(_SLOTS, _NONE)
        slot = ((values * _ODD) >> _SHIFT).astype(np.intp)
        given = np.where(self._slot_v4.take(slot) == values, self._slot_numbers.take(slot), _NONE)
        missing = np.flatnonzero(given == _NONE)
        if len(missing):
            sought, slot = values[missing], slot[missing]
            given[missing] = self._slot_numbers[slot] = self._look_up_v4(sought)
            self._slot_v4[slot] = sought
        return given

    def _look_up_v4(self, values: NDArray[np.uint32]) -> NDArray[np.int32]:
        # Sorted with their positions, equal values stand together, the first to appear before the others.
        ordered = np.sort(values.astype(np.uint64) << np.uint64(32) | np.arange(len(values), dtype=np.uint64))
        value, position = (ordered >> np.uint64(32)).astype(np.uint32), ordered.astype(np.uint32)
        differs = np.ones(len(values), np.bool_)
        differs[1:] = value[1:] != value[:-1]
        begins = np.flatnonzero(differs)
        by_appearance = np.argsort(position[begins])
        distinct = np.empty((len(begins), 4), np.uint32)
        distinct[:, :3] = _V4_FRONT
        distinct[:, 3] = value[begins[by_appearance]]
        of_distinct = np.empty(len(begins), np.int32)
        of_distinct[by_appearance] = self._number(distinct)
        given = np.empty(len(values), np.int32)
        given[position] = np.repeat(of_distinct, np.diff(begins, append=len(values)))
        return given

    def _of_any(self, octets: NDArray[np.uint32]) -> NDArray[np.int32]:
        addresses = pa.Array.from_buffers(
            pa.binary(16), len(octets), [None, pa.py_buffer(np.ascontiguousarray(octets).tobytes())]
        )
        encoded = addresses.dictionary_encode()
        given: NDArray[np.int32] = self._number(words(encoded.dictionary))[numbers(encoded.indices)]
        return given

    def _number(self, distinct: NDArray[np.uint32]) -> NDArray[np.int32]:
        """Numbers of distinct addresses, shape [n, 4]; those too many are all counted as the unknown address."""
        known = self._numbers
        addresses: list[bytes] = np.ascontiguousarray(distinct).view("V16")[:, 0].tolist()
        room = self._most - len(known)
        if len(addresses) > room and sum(address not in known for address in addresses) > room:
            self.overflowed = True
            rest = known[UNKNOWN_ADDRESS]
            return np.array([known.get(address, rest) for address in addresses], np.int32)
        return np.fromiter(map(known.__getitem__, addresses), np.int32, len(addresses))


def words(column: pa.Array) -> NDArray[np.uint32]:
    """The addresses of a column of 16 octets as 32-bit words, null as the unknown address. Shape [n, 4]."""
    if column.null_count:
        column = column.fill_null(UNKNOWN)
    data = column.buffers()[1]
    if data is None or not len(column):
        return np.zeros((0, 4), np.uint32)
    start = column.offset * OCTETS_16.itemsize
    return np.frombuffer(data, np.uint32, 4 * len(column), start).reshape(-1, 4)
