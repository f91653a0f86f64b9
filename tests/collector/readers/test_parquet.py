"""Parquet that flowdiag wrote; pyarrow's writer makes the files."""

from __future__ import annotations

import gzip
import io
from datetime import UTC, datetime
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from flowdiag.collector.readers.container import Flows, open_container
from flowdiag.collector.readers.packets import Dissector
from flowdiag.collector.readers.parquet import read_parquet
from flowdiag.collector.readers.source import Source
from flowdiag.collector.readers.stored_flows import TABLE_KEY, StoredFlows, flow_metadata
from flowdiag.collector.report import ExportReport
from flowdiag.errors import ExportError
from flowdiag.flows import FLOW_SCHEMA

ROW: dict[str, Any] = dict.fromkeys(FLOW_SCHEMA.names)
ROW |= {"start": datetime(2026, 3, 2, tzinfo=UTC), "octets": 1_500, "packets": 1, "exporter": bytes(16)}
ROW |= {"application": "https", "sampling": 1, "domain": 0}
TABLE = pa.Table.from_pylist([ROW | {"src_port": number} for number in range(5)], FLOW_SCHEMA)


def written(table: pa.Table, metadata: dict[bytes, bytes] | None) -> bytes:
    octets = io.BytesIO()
    pq.write_table(table.replace_schema_metadata(metadata), octets, compression="zstd")
    return octets.getvalue()


def read(octets: bytes, report: ExportReport | None = None) -> pa.Table:
    report = report or ExportReport()
    contents = open_container(io.BytesIO(octets), Source("file", 0, report), Dissector())
    assert isinstance(contents, Flows)
    batches = list(read_parquet(contents.window, contents.source, StoredFlows(report)))
    return pa.Table.from_batches(batches, FLOW_SCHEMA)


def test_a_flow_table_comes_back_as_it_was() -> None:
    table = read(written(TABLE, flow_metadata()))
    assert table.schema.equals(FLOW_SCHEMA, check_metadata=True)
    assert table.to_pylist() == TABLE.to_pylist()


def test_it_may_be_compressed_as_a_whole() -> None:
    assert read(gzip.compress(written(TABLE, flow_metadata()))).num_rows == 5


def test_a_foreign_table_is_one_clear_error() -> None:
    with pytest.raises(ExportError, match=r"^file: a Parquet file that flowdiag did not write"):
        read(written(pa.table({"a": [1]}), None))


def test_another_version_or_missing_columns_are_one_clear_error() -> None:
    with pytest.raises(ExportError, match="another version"):
        read(written(TABLE, {TABLE_KEY: b"999"}))
    with pytest.raises(ExportError, match="another version"):
        read(written(TABLE.drop_columns(["octets"]), flow_metadata()))


def test_a_column_of_another_type_is_one_clear_error() -> None:
    wrong = TABLE.set_column(0, "start", pa.array(["yesterday"] * 5))
    with pytest.raises(ExportError, match="damaged Parquet"):
        read(written(wrong, flow_metadata()))


@pytest.mark.parametrize("cut", [1, 100, 500])
def test_a_truncated_table_is_one_clear_error(cut: int) -> None:
    with pytest.raises(ExportError, match="damaged Parquet"):
        read(written(TABLE, flow_metadata())[:-cut])


LAST = 253_402_300_799_999  # 9999-12-31T23:59:59.999Z


@pytest.mark.parametrize(
    ("start", "end", "is_date"),
    [(0, LAST, True), (-1, 5, False), (5, LAST + 1, False), (-(2**62), 2**62, False), (None, LAST, True)],
)
def test_times_that_are_no_date_are_left_out_and_counted(start: int | None, end: int, is_date: bool) -> None:
    """Beside a sound row: both times of a row go, whichever is wrong."""
    kind = FLOW_SCHEMA.field("start").type
    times = {"start": [1_000, start], "end": [2_000, end]}
    columns = {name: pa.array(values, pa.int64()).cast(kind) for name, values in times.items()}
    table = pa.table(
        [columns.get(field.name, pa.nulls(2, field.type)) for field in FLOW_SCHEMA], schema=FLOW_SCHEMA
    )
    report = ExportReport()
    found = read(written(table, flow_metadata()), report)
    expected = times if is_date else {"start": [1_000, None], "end": [2_000, None]}
    assert {name: found[name].cast(pa.int64()).to_pylist() for name in times} == expected
    assert report.impossible_times == (not is_date)
