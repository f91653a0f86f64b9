"""What a Parquet file may declare; each bound is reached by a file that pyarrow's writer makes, or by changed octets."""

from __future__ import annotations

import io
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from flowdiag.collector.decode.limits import MAX_NAME_LENGTH
from flowdiag.collector.readers import density, parquet_bounds
from flowdiag.collector.readers.stored_flows import flow_metadata
from flowdiag.errors import ExportError
from tests.collector.readers.test_parquet import TABLE, read
from tests.hostile.tables import table, written

MANY = table(3_000, src_port=pa.array(np.arange(3_000, dtype=np.uint16)))


def refused(octets: bytes, match: str) -> None:
    with pytest.raises(ExportError, match=match) as raised:
        read(octets)
    assert len(str(raised.value).splitlines()) == 1


def test_more_records_than_a_file_of_its_size_has_are_refused_unread(monkeypatch: pytest.MonkeyPatch) -> None:
    octets = written(MANY)
    assert read(octets).num_rows == 3_000
    monkeypatch.setattr(density, "FREE_RECORDS", 2_000)
    monkeypatch.setattr(density, "OCTETS_A_RECORD", len(octets))
    refused(octets, "3,000 records in .* expected at most 2,000")


def test_a_count_of_records_that_is_not_true_does_not_help(monkeypatch: pytest.MonkeyPatch) -> None:
    octets = written(MANY)
    monkeypatch.setattr(parquet_bounds, "_declared", lambda footer, name, at: (1, 1))
    monkeypatch.setattr(density, "FREE_RECORDS", 2_000)
    monkeypatch.setattr(density, "OCTETS_A_RECORD", len(octets))
    refused(octets, "3,000 records")


@pytest.mark.parametrize(
    ("bound", "most", "says"),
    [
        ("MAX_FOOTER_OCTETS", 100, "a footer of"),
        ("MAX_COLUMNS", 18, "19 columns; expected at most 18"),
        ("MAX_ROW_GROUPS", 2, "3 row groups; expected at most 2"),
        ("MAX_PAGE_OCTETS", 1_000, "a page of"),
        ("MAX_COLUMN_OCTETS", 1_000, "of one column in a row group"),
        ("FREE_PAGES", 20, "more or greater pages"),
    ],
)
def test_what_a_file_declares_is_bounded(
    monkeypatch: pytest.MonkeyPatch, bound: str, most: int, says: str
) -> None:
    octets = written(table(500, src_port=pa.array(np.arange(500, dtype=np.uint16))), times=3)
    assert read(octets).num_rows == 1_500
    monkeypatch.setattr(parquet_bounds, bound, most)
    refused(octets, says)


def test_what_pages_unpack_to_is_bounded_by_the_size_of_the_file(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(parquet_bounds, "FREE_OCTETS", 1_000)
    monkeypatch.setattr(parquet_bounds, "MAX_RATIO", 0)
    refused(written(MANY), "more or greater pages")


def test_values_that_share_their_beginnings_are_refused() -> None:
    plain = TABLE.set_column(14, "application", TABLE["application"].cast(pa.string()))
    refused(
        written(plain, use_dictionary=False, column_encoding={"application": "DELTA_BYTE_ARRAY"}),
        "DELTA_BYTE_ARRAY",
    )


def test_a_long_name_is_cut_like_those_that_the_decoder_makes() -> None:
    names = pa.DictionaryArray.from_arrays(pa.array([0, 1], pa.int32()), pa.array(["é" * 1_000, "https"]))
    given = read(written(table(2, application=names)))["application"].to_pylist()
    assert given == ["é" * MAX_NAME_LENGTH, "https"]


def test_names_stay_a_dictionary_whatever_the_file_says() -> None:
    made = io.BytesIO()
    plain = table(9).set_column(14, "application", pa.array(["https"] * 9))
    pq.write_table(plain.replace_schema_metadata(flow_metadata()), made)
    assert read(made.getvalue())["application"].to_pylist() == ["https"] * 9


@pytest.mark.parametrize("kind", [pa.list_(pa.int64()), pa.struct([("a", pa.int64())]), pa.string()])
def test_a_column_that_is_no_plain_number_is_one_clear_error(kind: pa.DataType) -> None:
    refused(written(TABLE.set_column(7, "octets", pa.nulls(5, kind))), "column 'octets.*' is not as flowdiag")


def test_a_column_that_is_there_twice_is_one_clear_error() -> None:
    refused(written(TABLE.append_column("octets", TABLE["octets"])), "column 'octets'")


@pytest.mark.parametrize("at", [-8, -5])
def test_a_footer_longer_than_the_file_is_one_clear_error(at: int) -> None:
    octets = bytearray(written(TABLE))
    octets[at] = 0xFF
    refused(bytes(octets), "damaged Parquet|a footer of")


def test_too_many_exporters_and_domains_are_one_clear_error(monkeypatch: pytest.MonkeyPatch) -> None:
    from flowdiag.collector.export import open_export
    from flowdiag.collector.readers import stored_flows

    monkeypatch.setattr(stored_flows, "MAX_SESSIONS", 3)
    _refused_export(open_export, written(table(4, domain=pa.array(np.arange(4, dtype=np.uint32)))))
    monkeypatch.setattr(stored_flows, "MAX_SESSIONS", 100)
    monkeypatch.setattr(stored_flows, "MAX_ALIKE", 3)
    _refused_export(open_export, written(table(4, domain=pa.array(np.arange(4, dtype=np.uint32)))))


def _refused_export(open_export: Any, octets: bytes) -> None:
    import tempfile

    with tempfile.NamedTemporaryFile() as file:
        file.write(octets)
        file.flush()
        with pytest.raises(ExportError, match="too many exporters and observation domains"):
            list(open_export(file.name).batches())


def test_names_of_columns_that_are_no_text_are_one_clear_error() -> None:
    made = io.BytesIO()
    pq.write_table(TABLE.replace_schema_metadata(flow_metadata()), made, store_schema=False)
    refused(made.getvalue().replace(b"end_reason", b"\x9cnd_reason"), "damaged Parquet")
