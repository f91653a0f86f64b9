"""Columns of flow rows on their way to Arrow: put in order, joined, and handed over without copying."""

from __future__ import annotations

from typing import Any, Final, NamedTuple

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from flowdiag.buffers import text_column
from flowdiag.flows import FLOW_SCHEMA, MESSAGES_KEY

Mask = NDArray[np.bool_]

_ADDRESSES: Final = ("src_address", "dst_address", "exporter")
# The numpy type behind each column that is not an address.
_TYPES: Final[dict[str, Any]] = {
    "start": np.int64,
    "end": np.int64,
    "src_port": np.uint16,
    "dst_port": np.uint16,
    "protocol": np.uint8,
    "octets": np.uint64,
    "packets": np.uint64,
    "ingress_interface": np.uint32,
    "egress_interface": np.uint32,
    "tcp_flags": np.uint16,
    "dscp": np.uint8,
    "direction": np.uint8,
    "application": np.int32,
    "end_reason": np.uint8,
    "domain": np.uint32,
    "sampling": np.uint32,
}


class Column(NamedTuple):
    """values: one a row (addresses: two integers a row, 16 octets in network order); known None: all are."""

    values: NDArray[Any]
    known: Mask | None = None

    def take(self, rows: NDArray[Any]) -> Column:
        return Column(self.values[rows], None if self.known is None else self.known[rows])


class Rows(NamedTuple):
    """Rows of the flow table by column name, a column that is not there is unknown in all rows.

    records: the record each row was made of, None if row i was made of record i. application: a code in the
    batch's vocabulary.
    """

    length: int
    columns: dict[str, Column]
    records: NDArray[np.int64] | None = None

    def chosen(self, mask: Mask) -> Rows:
        """The rows where the mask is set; rows must still be one a record."""
        return self.taken(np.flatnonzero(mask))

    def taken(self, rows: NDArray[np.int64]) -> Rows:
        """Some rows, in another order perhaps."""
        columns = {name: column.take(rows) for name, column in self.columns.items()}
        return Rows(len(rows), columns, rows if self.records is None else self.records[rows])

    def followed_by(self, other: Rows) -> Rows:
        """These rows and others, those of one record next to each other, these before the others."""
        joined = joined_rows([self, other])
        assert joined.records is not None
        return joined.taken(np.argsort(joined.records, kind="stable"))


def joined_rows(parts: list[Rows]) -> Rows:
    """Rows one after another."""
    count = sum(part.length for part in parts)
    names = [name for name in FLOW_SCHEMA.names if any(name in part.columns for part in parts)]
    columns = {name: _joined(name, parts) for name in names}
    records = [np.arange(part.length) if part.records is None else part.records for part in parts]
    return Rows(count, columns, np.concatenate(records))


def _joined(name: str, parts: list[Rows]) -> Column:
    shape = (2,) if name in _ADDRESSES else ()
    kind = np.uint64 if name in _ADDRESSES else _TYPES[name]
    values, known = [], []
    partial = False
    for part in parts:
        column = part.columns.get(name)
        if column is None:
            partial = True
            values.append(np.zeros((part.length, *shape), kind))
            known.append(np.zeros(part.length, np.bool_))
        else:
            partial |= column.known is not None
            values.append(column.values.astype(kind, copy=False))
            known.append(np.ones(part.length, np.bool_) if column.known is None else column.known)
    return Column(np.concatenate(values), np.concatenate(known) if partial else None)


def record_batch(rows: Rows, vocabulary: list[str], begins: NDArray[np.int32]) -> pa.RecordBatch:
    """Rows as a record batch of FLOW_SCHEMA; vocabulary: application names by code; begins: the first row of each
    message (see MESSAGES_KEY)."""
    arrays = [_array(field, rows, vocabulary) for field in FLOW_SCHEMA]
    schema = FLOW_SCHEMA.with_metadata({MESSAGES_KEY: begins.tobytes()})
    return pa.RecordBatch.from_arrays(arrays, schema=schema)


def _array(field: pa.Field, rows: Rows, vocabulary: list[str]) -> pa.Array:
    column = rows.columns.get(field.name)
    if field.name == "application":
        names = text_column(vocabulary)
        codes = (
            pa.nulls(rows.length, pa.int32()) if column is None else _buffers(pa.int32(), np.int32, column)
        )
        return pa.DictionaryArray.from_arrays(codes, names)
    if column is None:
        return pa.nulls(rows.length, field.type)
    return _buffers(field.type, np.uint64 if field.name in _ADDRESSES else _TYPES[field.name], column)


def _buffers(kind: pa.DataType, stored: Any, column: Column) -> pa.Array:
    values = np.ascontiguousarray(column.values, stored)
    valid = None
    if column.known is not None:
        valid = pa.py_buffer(np.packbits(column.known, bitorder="little"))
    return pa.Array.from_buffers(kind, len(values), [valid, pa.py_buffer(values)])
