"""Records one after another in columns that grow."""

from __future__ import annotations

import numpy as np
import pyarrow as pa
import pytest

from flowdiag.aggregator.build import Reduction
from flowdiag.aggregator.record_table import MOST_AHEAD, RecordTable
from flowdiag.aggregator.records import Records
from tests.aggregator.tables import batch, site, up


def pieces_of(*sizes: int) -> list[Records]:
    """Pieces whose records have the octets 0, 1, 2 and so on through all of them."""
    reduction = Reduction(site())
    begins = np.cumsum([0, *sizes]).tolist()
    return [
        reduction.add(piece(range(begin, begin + size))) for begin, size in zip(begins, sizes, strict=False)
    ]


def piece(octets: range) -> pa.RecordBatch:
    return batch([up(octets=number, src_port=1000 + number) for number in octets])


def filled(table: RecordTable, *sizes: int) -> RecordTable:
    for part in pieces_of(*sizes):
        table.append(part)
    return table


@pytest.mark.parametrize("expected", [lambda rows: rows, lambda rows: 2 * rows, lambda rows: 0])
def test_all_records_come_out_in_order_whatever_was_expected(expected) -> None:  # type: ignore[no-untyped-def]
    table = filled(RecordTable(expected), 3, 5, 1, 8)
    assert len(table) == 17
    records = table.records()
    assert records.octets.tolist() == list(range(17))
    assert records.src_port.tolist() == list(range(1000, 1017))
    assert len(table) == 0


def test_the_first_piece_is_taken_over_as_it_stands() -> None:
    (only,) = pieces_of(4)
    table = RecordTable()
    table.append(only)
    assert np.shares_memory(table.records().octets, only.octets)


def test_where_the_expectation_holds_each_value_is_written_once() -> None:
    asked = []

    def expected(rows: int) -> int:
        asked.append(rows)
        return 40

    assert filled(RecordTable(expected), *[4] * 10).records().octets.tolist() == list(range(40))
    assert asked == [8]  # the first piece needs no room of its own, the second makes room for all


def test_an_expectation_out_of_all_proportion_is_believed_in_part() -> None:
    records = filled(RecordTable(lambda rows: 10**15), 4, 4).records()
    assert records.octets.tolist() == list(range(8))
    assert records.octets.base is not None
    assert len(records.octets.base) == MOST_AHEAD * 8


def test_pieces_are_views_of_all_records() -> None:
    table = RecordTable()
    assert table.pieces() == []
    (part,) = filled(table, 2, 3).pieces()
    assert part.octets.tolist() == [0, 1, 2, 3, 4]
    assert len(table) == 5


def test_empty_pieces_change_nothing() -> None:
    assert filled(RecordTable(), 0, 2, 0, 3, 0).records().octets.tolist() == [0, 1, 2, 3, 4]
