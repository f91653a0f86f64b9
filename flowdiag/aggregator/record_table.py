"""The records of an export one after another in columns of their own, each value written once.

Facts the design follows: an export of millions comes in pieces of some hundred thousand, and how many there will be
is not known before the last; but the part of the export that is read tells it well enough to make room for all of
them at once. Room that is not used costs no memory, since the system gives a page when it is first written to.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from flowdiag.aggregator.chunks import chunks
from flowdiag.aggregator.records import Records

# Room beyond what is expected: messages differ in size, and what is read is a little ahead of what is decoded.
SPARE: Final = 1 / 8
# What is expected is believed up to so many times what is there: a part that is read may be unlike the rest.
MOST_AHEAD: Final = 32
_NAMES: Final = Records.__struct_fields__

# How many records to expect in all when so many came so far.
Expected = Callable[[int], int]


def twice(rows: int) -> int:
    """What to expect where nothing is known."""
    return 2 * rows


class RecordTable:
    """append() pieces, then take them all as one with records(). expected: asked whenever there is no more room."""

    def __init__(self, expected: Expected = twice) -> None:
        self._expected = expected
        self._columns: dict[str, NDArray[Any]] = {}
        self._rows = 0

    def __len__(self) -> int:
        return self._rows

    def append(self, piece: Records) -> None:
        """piece: its columns may be kept, so nobody else must write to them."""
        if not self._rows:
            self._columns = {name: getattr(piece, name) for name in _NAMES}
            self._rows = len(piece)
            return
        rows = self._rows + len(piece)
        if rows > len(self._columns["start_ms"]):
            room = min(int(self._expected(rows) * (1 + SPARE)), MOST_AHEAD * rows)
            self._make_room(max(rows, room))
        for name, column in self._columns.items():
            column[self._rows : rows] = getattr(piece, name)
        self._rows = rows

    def _make_room(self, room: int) -> None:
        for name, column in self._columns.items():
            self._columns[name] = np.empty(room, column.dtype)
            self._columns[name][: self._rows] = column[: self._rows]

    def pieces(self) -> list[Records]:
        """All records, some at a time, without a copy."""
        if not self._rows:
            return []
        records = self._filled()
        return [records.at(step) for step in chunks(self._rows)]

    def records(self) -> Records:
        """All records, which the table then lets go of; there has to be one."""
        records = self._filled()
        self._columns, self._rows = {}, 0
        return records

    def _filled(self) -> Records:
        return Records(**{name: column[: self._rows] for name, column in self._columns.items()})
