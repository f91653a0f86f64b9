"""Parquet that flowdiag wrote: flow records that were decoded before, read straight as record batches.

Facts the design follows:
- the schema's metadata says that flowdiag wrote the file (TABLE_KEY), so that a foreign table is one clear
  error instead of a guess at its columns;
- Parquet keeps its index at the end of the file, so a stream is first copied to a temporary file, within a
  bound;
- a file of kilobytes can declare, and unpack to, gigabytes: what it declares is looked at first (parquet_bounds.py).
"""

from __future__ import annotations

import io
import tempfile
from collections.abc import Iterator
from typing import IO, Final

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from flowdiag.buffers import fill_null, nulls, numbers
from flowdiag.collector.decode.limits import MAX_NAME_LENGTH
from flowdiag.collector.readers.parquet_bounds import Pages, check_columns, check_rows, damaged, open_bounded
from flowdiag.collector.readers.source import Source
from flowdiag.collector.readers.stored_flows import (
    EXPORTER_KEY,
    TABLE_KEY,
    TABLE_VERSION,
    StoredFlows,
    exporter_column,
)
from flowdiag.collector.readers.window import CHUNK_OCTETS, Window
from flowdiag.durations import LAST_MS
from flowdiag.errors import ExportError
from flowdiag.flows import FLOW_SCHEMA

BATCH_ROWS: Final = 1 << 17
MEMORY_OCTETS: Final = 32 << 20  # copies up to this size stay in memory
MAX_OCTETS: Final = 64 << 30  # of a copy on disk

# Where two Parquet files stand behind each other: the index of the second would be taken for that of both.
_SEAM: Final = b"PAR1PAR1"

ADVICE: Final = "give the export that the table was made from"


def read_parquet(window: Window, source: Source, stored: StoredFlows) -> Iterator[pa.RecordBatch]:
    """The flow records of a Parquet file in batches of FLOW_SCHEMA; stored takes the report in its metadata.

    Raises ExportError for a table that flowdiag did not write, another version, missing columns, damage, and what is
    beyond the bounds of parquet_bounds.py.
    """
    with tempfile.SpooledTemporaryFile(MEMORY_OCTETS) as copy:
        _copy(window, source, copy)
        octets = copy.seek(0, io.SEEK_END) if source.octets is None else source.octets
        try:
            file = open_bounded(copy, octets, source.name)
            check_schema(file.schema_arrow, source.name)
            check_columns(file, source.name)
            stored.add_metadata(file.metadata.metadata, source.name)
            pages = Pages(copy, file, octets, source.name)
            rows = 0
            # One row group at a time: an iterator over all of them keeps what it read of each until its end.
            for group in range(file.num_row_groups):
                pages.check(group)
                for batch in file.iter_batches(BATCH_ROWS, [group], columns=FLOW_SCHEMA.names):
                    rows += batch.num_rows
                    check_rows(rows, octets, source.name)
                    flows = flow_batch(batch, file.metadata.metadata)
                    stored.add_impossible_times(flows["start"].null_count - batch["start"].null_count)
                    yield flows
        except (pa.ArrowException, OSError, UnicodeDecodeError) as error:
            raise damaged(source.name, (str(error).splitlines() or ["unreadable"])[0]) from error


def check_schema(schema: pa.Schema, name: str) -> None:
    """Raises ExportError unless a Parquet schema is that of a flow table written by flowdiag."""
    version = (schema.metadata or {}).get(TABLE_KEY)
    if version is None:
        raise ExportError(
            "a Parquet file that flowdiag did not write",
            file=name,
            expected="flowdiag's flow table",
            advice=ADVICE,
        )
    missing = [column for column in FLOW_SCHEMA.names if column not in schema.names]
    if missing == ["exporter"] and EXPORTER_KEY in schema.metadata:
        missing = []
    if version != TABLE_VERSION or missing:
        raise ExportError(
            "a flow table of another version of flowdiag", file=name, expected="version 1", advice=ADVICE
        )


def _copy(window: Window, source: Source, copy: IO[bytes]) -> None:
    octets = 0
    tail = b""
    while chunk := window.read(CHUNK_OCTETS):
        octets += len(chunk)
        if _SEAM in tail + chunk:
            raise ExportError(
                "several Parquet files one after another",
                file=source.name,
                expected="one Parquet file",
                advice="give the files one by one",
            )
        tail = chunk[-len(_SEAM) + 1 :]
        if octets > MAX_OCTETS:
            raise ExportError(
                "a Parquet file beyond the greatest size supported",
                file=source.name,
                offset=MAX_OCTETS,
                expected=f"at most {MAX_OCTETS >> 30} GiB",
                advice="split it",
            )
        copy.write(chunk)
    copy.seek(0)


def flow_batch(batch: pa.RecordBatch, metadata: dict[bytes, bytes] | None) -> pa.RecordBatch:
    """A batch of a flow table as FLOW_SCHEMA; columns that it does not have are null, the exporter as metadata says."""
    columns = []
    for name, kind in zip(FLOW_SCHEMA.names, FLOW_SCHEMA.types, strict=True):
        if name in batch.schema.names:
            column = batch.column(name)
            column = column if column.type == kind else column.cast(kind)
            columns.append(_names_cut(column) if name == "application" else column)
            continue
        named = exporter_column(metadata, batch.num_rows) if name == "exporter" else None
        columns.append(pa.nulls(batch.num_rows, kind) if named is None else named)
    return _with_dates(pa.RecordBatch.from_arrays(columns, schema=FLOW_SCHEMA))


def _with_dates(batch: pa.RecordBatch) -> pa.RecordBatch:
    """The batch without times that are no date from 1970 to 9999: both of a row, whichever is wrong."""
    columns = [batch["start"], batch["end"]]
    stored = [numbers(column, np.int64) for column in columns]  # anything where it is null
    if all(not len(values) or 0 <= values.min() <= values.max() <= LAST_MS for values in stored):
        return batch
    times = {name: fill_null(batch[name], 0, stored=np.int64) for name in ("start", "end")}
    wrong = np.any([(values < 0) | (values > LAST_MS) for values in times.values()], axis=0)
    if not wrong.any():
        return batch
    for name, values in times.items():
        known = pa.array(values, mask=wrong | nulls(batch[name])).cast(batch[name].type)
        batch = batch.set_column(batch.schema.get_field_index(name), batch.schema.field(name), known)
    return batch


def _names_cut(names: pa.DictionaryArray) -> pa.DictionaryArray:
    """Names no longer than those that the decoder makes: a table may hold names of megabytes."""
    longest = pc.max(pc.binary_length(names.dictionary)).as_py()
    if longest is None or longest <= MAX_NAME_LENGTH:
        return names
    cut = pc.utf8_slice_codeunits(names.dictionary, 0, MAX_NAME_LENGTH)
    return pa.DictionaryArray.from_arrays(names.indices, cut)
