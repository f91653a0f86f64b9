"""Arrow columns and numpy arrays out of each other, by the memory that they can share.

Fact the design follows: pa.array(), pa.scalar(), to_numpy() and the grouping of tables load pandas when they are first
used. That takes half a second, a quarter of what a question about an hour takes in all; what stands here does not.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

_OCTETS_16: Final = pa.binary(16)


def column(values: NDArray[Any]) -> pa.Array:
    """Numbers or truth values, shape [n], as a column without nulls."""
    if values.dtype == np.bool_:
        return pa.Array.from_buffers(
            pa.bool_(), len(values), [None, pa.py_buffer(np.packbits(values, bitorder="little"))]
        )
    data = pa.py_buffer(np.ascontiguousarray(values))
    return pa.Array.from_buffers(pa.from_numpy_dtype(values.dtype), len(values), [None, data])


def nullable_column(values: NDArray[Any], known: NDArray[np.bool_]) -> pa.Array:
    """Numbers, shape [n], as a column that is null where they are not known."""
    bits = pa.py_buffer(np.packbits(known, bitorder="little"))
    data = pa.py_buffer(np.ascontiguousarray(values))
    return pa.Array.from_buffers(pa.from_numpy_dtype(values.dtype), len(values), [bits, data])


def address_column(addresses: Sequence[bytes]) -> pa.Array:
    """Addresses, 16 octets each, as a column without nulls. Raises ValueError for another length."""
    if any(len(address) != _OCTETS_16.byte_width for address in addresses):
        raise ValueError("an address has 16 octets")
    return pa.Array.from_buffers(_OCTETS_16, len(addresses), [None, pa.py_buffer(b"".join(addresses))])


def text_column(texts: Sequence[str]) -> pa.Array:
    """Texts as a column without nulls."""
    octets = [text.encode() for text in texts]
    ends = np.cumsum([0, *map(len, octets)], dtype=np.int32)
    return pa.Array.from_buffers(
        pa.string(), len(octets), [None, pa.py_buffer(ends), pa.py_buffer(b"".join(octets))]
    )


def scalar(value: int, kind: pa.DataType) -> pa.Scalar:
    """A value of a type whose width is that of a number, a time included."""
    octets = value.to_bytes(kind.bit_width // 8, "little", signed=value < 0)
    return pa.Array.from_buffers(kind, 1, [None, pa.py_buffer(octets)])[0]


def one_chunk(column: pa.ChunkedArray) -> pa.Array:
    """A column of a table as one array; without a copy where it is one."""
    if not column.num_chunks:  # combine_chunks() would load pandas
        return pa.nulls(0, column.type)
    return column.chunk(0) if column.num_chunks == 1 else column.combine_chunks()


def integers(table: pa.Table, name: str) -> NDArray[np.int64]:
    """A column of whole numbers without nulls; shape [n]."""
    return numbers(one_chunk(table[name])).astype(np.int64, copy=False)


def numbers(column: pa.Array, stored: Any = None) -> NDArray[Any]:
    """The values of a column of numbers; any value where it is null. Read-only, shape [n].

    stored: the numpy type of what its buffer holds, where that is not the column's own, as with a time.
    """
    kind = np.dtype(column.type.to_pandas_dtype() if stored is None else stored)
    data = column.buffers()[1]
    if data is None:
        return np.zeros(len(column), kind)
    return np.frombuffer(data, kind, len(column), column.offset * kind.itemsize)


def nulls(column: pa.Array) -> NDArray[np.bool_]:
    """Which values are null. Shape [n]."""
    known = column.buffers()[0]
    if known is None:
        return np.full(len(column), column.null_count > 0)
    bits = np.unpackbits(np.frombuffer(known, np.uint8), count=column.offset + len(column), bitorder="little")
    unset: NDArray[np.bool_] = bits[column.offset :] == 0
    return unset


def fill_null(column: pa.Array, unknown: int, wanted: Any = None, stored: Any = None) -> NDArray[Any]:
    """The values of a column of numbers with `unknown` where it is null; a copy of its own. Shape [n].

    wanted: the numpy type of the result, where that is another than the column's; stored: as for numbers().
    """
    kind = np.dtype(column.type.to_pandas_dtype() if stored is None else stored)
    if column.null_count == len(column):
        return np.full(len(column), unknown, wanted or kind)
    values = numbers(column, kind).astype(wanted or kind)
    if column.null_count:
        values[nulls(column)] = unknown
    return values
