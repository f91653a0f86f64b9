"""What upkeep sees of a store that others may change at the same moment."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from itertools import groupby

import pyarrow.parquet as pq

from flowdiag.collector.store.backends import StorageBackend, failures_named
from flowdiag.collector.store.finding import StoredFile


class Changed(Exception):
    """Files that were listed have been merged or dropped by others."""


@contextmanager
def opened(backend: StorageBackend, file: StoredFile) -> Iterator[pq.ParquetFile]:
    """Raises Changed if the file is gone."""
    with failures_named(backend):
        try:
            source = backend.open_input(file.path)
        except FileNotFoundError as error:
            raise Changed from error
        with source:
            yield pq.ParquetFile(source)


def rows_of(backend: StorageBackend, file: StoredFile) -> int:
    """Rows of a file, by its footer."""
    with opened(backend, file) as parquet:
        rows: int = parquet.metadata.num_rows
        return rows


def all_there(backend: StorageBackend, files: Iterable[StoredFile]) -> bool:
    """Whether files are in the store still."""
    return all(
        {file.target for file in own} <= {entry.path for entry in backend.files(partition.folder)}
        for partition, own in groupby(files, key=lambda file: file.partition)
    )
