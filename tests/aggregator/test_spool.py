"""Records come back in their order, whether they fit into memory or went into the file."""

from __future__ import annotations

import errno

import numpy as np
import pytest

from flowdiag.aggregator.records import Records
from flowdiag.aggregator.spool import Spool, spool
from flowdiag.errors import FlowdiagError


def records(count: int, first: int) -> Records:
    """Columns of several widths, no two values of a record alike."""
    types = (np.int64, np.float64, np.int32, np.int8, np.uint16)
    columns = [
        (np.arange(first, first + count) + 40 * place).astype(types[place % len(types)])
        for place in range(len(Records.__struct_fields__))
    ]
    return Records(*columns)


def same(one: Records, other: Records) -> bool:
    pairs = [(getattr(one, name), getattr(other, name)) for name in Records.__struct_fields__]
    return all(a.dtype == b.dtype and a.tolist() == b.tolist() for a, b in pairs)


@pytest.mark.parametrize(
    ("memory_rows", "in_file"), [(10, 0), (9, 1), (6, 1), (5, 2), (3, 2), (2, 3), (0, 3)]
)
def test_what_was_appended_comes_back_as_often_as_asked(memory_rows: int, in_file: int) -> None:
    pieces = [records(3, 0), records(3, 3), records(4, 6)]
    with spool(memory_rows) as kept:
        for piece in pieces:
            kept.append(piece)
        assert len(kept._in_file) == in_file
        for _ in range(2):
            found = list(kept)
            assert len(found) == 3
            assert all(map(same, found, pieces))


def test_behind_a_piece_in_the_file_all_others_go_there_too() -> None:
    pieces = [
        records(3, 0),
        records(5, 3),
        records(1, 8),
    ]  # the third would fit into memory, but not in its order
    with spool(4) as kept:
        for piece in pieces:
            kept.append(piece)
        assert all(map(same, kept, pieces))


def test_a_file_that_takes_nothing_is_told() -> None:
    with open("/dev/full", "wb", buffering=0) as full:
        with pytest.raises(FlowdiagError, match="the temporary folder cannot take the records") as told:
            Spool(full, 0).append(records(3, 0))
        assert isinstance(told.value.__cause__, OSError)
        assert told.value.__cause__.errno == errno.ENOSPC
