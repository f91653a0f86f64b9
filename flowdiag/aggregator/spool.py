"""Records put aside between two passes: in memory while they are few, in a temporary file beyond that.

What counts on which link is known only when all records were seen, so ranking needs a second pass over them.
"""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from typing import IO, Any, Final

import numpy as np

from flowdiag.aggregator.records import Records
from flowdiag.errors import FlowdiagError

# Some 90 octets a record: 90 MiB in memory at most.
MEMORY_ROWS: Final = 1_000_000
_NAMES: Final = Records.__struct_fields__


class Spool:
    """Append records, then iterate over them in the same order as often as needed. Made by spool()."""

    def __init__(self, file: IO[bytes], memory_rows: int) -> None:
        self._memory_rows = memory_rows
        self._in_memory: list[Records] = []
        self._rows_in_memory = 0
        self._file = file
        self._in_file: list[tuple[int, list[np.dtype[Any]]]] = []  # rows and column types of each piece

    def append(self, records: Records) -> None:
        """Raises FlowdiagError if the temporary file cannot be written."""
        if not self._in_file and self._rows_in_memory + len(records) <= self._memory_rows:
            self._in_memory.append(records)
            self._rows_in_memory += len(records)
            return
        columns = [getattr(records, name) for name in _NAMES]
        try:
            for column in columns:
                self._file.write(np.ascontiguousarray(column).tobytes())
        except OSError as error:
            raise FlowdiagError(
                f"the temporary folder cannot take the records: {error.strerror or error}",
                file=tempfile.gettempdir(),
                advice="make room there, or name another folder in the environment variable TMPDIR",
            ) from error
        self._in_file.append((len(records), [column.dtype for column in columns]))

    def __iter__(self) -> Iterator[Records]:
        yield from self._in_memory
        self._file.seek(0)
        for rows, dtypes in self._in_file:
            yield Records(*(self._column(rows, dtype) for dtype in dtypes))

    def _column(self, rows: int, dtype: np.dtype[Any]) -> Any:
        return np.frombuffer(self._file.read(rows * dtype.itemsize), dtype)


@contextmanager
def spool(memory_rows: int = MEMORY_ROWS) -> Iterator[Spool]:
    """A spool, whose file (made when it is first needed) is gone at the end."""
    with tempfile.SpooledTemporaryFile(max_size=1) as file:
        yield Spool(file, memory_rows)
