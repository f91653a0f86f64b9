"""Many data sets of one template become columns in one step.

Facts the design follows:
- a data set is records end to end, nothing between (RFC 7011 3.4.3), so the sets of one template joined are
  one array of a structured big-endian type;
- a record with variable-length fields is runs of fixed fields with a length-prefixed value between each two
  (RFC 7011 7): once it is known where the records start, all runs are gathered at once, one run after another;
- integers may be sent in fewer octets than their type has, 3, 5, 6 and 7 included (RFC 7011 6.2).
"""

from __future__ import annotations

from collections.abc import Sequence
from copy import copy
from typing import Any, Final

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from flowdiag.collector.decode.layout import NATIVE_WIDTHS
from flowdiag.collector.decode.templates import Template, layout_of

Integers = NDArray[np.unsignedinteger[Any]]
Octets = NDArray[np.uint8]

_MAX_INTEGER: Final = 8


class Columns:
    """The fields of many records of one template, by element. Where one stands several times the first counts.

    parts: the octets of the data sets without padding; counts: records in each; starts: for a varying
    template, where the records start in their part, else None.
    """

    def __init__(
        self,
        template: Template,
        parts: Sequence[bytes],
        counts: NDArray[np.int64],
        starts: NDArray[np.int64] | None,
    ) -> None:
        layout = self._layout = layout_of(template)
        self._fields = template.fields
        self._indices = template.indices
        self._reverse_indices = template.reverse_indices
        self.count = int(counts.sum())
        self._runs: dict[int, NDArray[Any]] = {}
        self._run_starts: list[NDArray[np.int64]] = []
        self._values: list[tuple[NDArray[np.int64], NDArray[np.int64]]] = []
        if starts is None:
            self._runs[0] = np.frombuffer(parts[0] if len(parts) == 1 else b"".join(parts), layout.types[0])
        else:
            # Two more octets, so that a short length prefix at the very end can be read as a long one.
            self._buffer = np.frombuffer(b"".join((*parts, b"\0\0")), np.uint8)
            ends = np.cumsum([len(part) for part in parts], dtype=np.int64)
            bases = np.concatenate((np.zeros(1, np.int64), ends[:-1]))
            self._walk(starts + np.repeat(bases, counts))

    def _walk(self, position: NDArray[np.int64]) -> None:
        """Finds run after run and value after value in all records at once."""
        buffer = self._buffer
        self._run_starts.append(position)
        for gap in self._layout.gaps:
            at = position + gap
            length = buffer[at].astype(np.int64)
            long = length == 255
            if long.any():
                two = (buffer[at + 1].astype(np.int64) << 8) + buffer[at + 2]
                length = np.where(long, two, length)
                at += 2 * long
            at += 1
            self._values.append((at, length))
            position = at + length
            self._run_starts.append(position)

    def reversed(self) -> Columns:
        """The fields of the reverse direction, by the forward element's number (RFC 5103 6.1)."""
        other = copy(self)
        other._indices = self._reverse_indices
        return other

    def has(self, *elements: int) -> bool:
        return any(number in self._indices for number in elements)

    def integer(self, number: int) -> Integers | None:
        """An element as unsigned integers, in the narrowest type that holds its width on the wire.

        None if it is not there, or not as 1 to 8 octets of fixed length.
        """
        indices = self._indices.get(number)
        return self.integer_at(indices[0]) if indices else None

    def integer_at(self, index: int) -> Integers | None:
        width = self._fields[index].length
        if width > _MAX_INTEGER:
            return None
        raw = self._fixed(index)
        if width in NATIVE_WIDTHS:
            return raw if width == 1 else raw.astype(raw.dtype.newbyteorder("="))
        wide = np.zeros((self.count, 8), np.uint8)
        wide[:, 8 - width :] = raw
        return wide.view(">u8")[:, 0].astype(np.uint64)

    def octets(self, number: int, width: int) -> Octets | None:
        """An element of exactly this width as octets, shape (records, width); None if there is none."""
        indices = self._indices.get(number)
        if not indices or self._fields[indices[0]].length != width:
            return None
        return _as_octets(self._fixed(indices[0]))

    def words(self, number: int) -> NDArray[np.uint32] | None:
        """An element of 4 octets, each kept in network order inside a native integer."""
        indices = self._indices.get(number)
        if not indices or self._fields[indices[0]].length != 4:
            return None
        return self._fixed(indices[0]).view("=u4")

    def width(self, number: int) -> int:
        """Octets of an element on the wire, 0 if it is not there."""
        indices = self._indices.get(number)
        return self._fields[indices[0]].length if indices else 0

    def indices(self, number: int) -> Sequence[int]:
        """All fields of an element, as the template's indices."""
        return self._indices.get(number, ())

    def values_at(self, index: int) -> pa.Array:
        """A field of any length as an Arrow binary array."""
        run = self._layout.run_of[index]
        if run >= 0:
            width = self._fields[index].length
            octets = np.ascontiguousarray(_as_octets(self._fixed(index)))
            fixed = pa.Array.from_buffers(pa.binary(width), self.count, [None, pa.py_buffer(octets)])
            return fixed.cast(pa.large_binary())
        starts, lengths = self._values[-1 - run]
        offsets = np.concatenate((np.zeros(1, np.int64), np.cumsum(lengths)))
        gathered = self._buffer[np.repeat(starts - offsets[:-1], lengths) + np.arange(offsets[-1])]
        buffers = [None, pa.py_buffer(offsets), pa.py_buffer(gathered)]
        return pa.Array.from_buffers(pa.large_binary(), self.count, buffers)

    def _fixed(self, index: int) -> NDArray[Any]:
        run = self._layout.run_of[index]
        records = self._runs.get(run)
        if records is None:
            records = self._runs[run] = self._gather(run)
        column: NDArray[Any] = records[str(index)]
        return column

    def _gather(self, run: int) -> NDArray[Any]:
        kind = self._layout.types[run]
        windows: NDArray[Any] = np.ndarray(
            (len(self._buffer) - kind.itemsize + 1,), f"V{kind.itemsize}", self._buffer, 0, (1,)
        )
        return windows[self._run_starts[run]].view(kind)


def _as_octets(column: NDArray[Any]) -> Octets:
    """A column of integers or octets as octets, shape (records, width), without copying."""
    return column if column.ndim == 2 else column[:, np.newaxis].view(np.uint8)
