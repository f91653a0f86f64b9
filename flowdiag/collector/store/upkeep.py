"""Upkeep of a store: small files become large ones, old days go.

Facts the design follows:
- a collector adds a file a minute and exporter; a question would open thousands. Files of one partition that follow
  each other are merged, their order kept, until they hold FULL_ROWS; what is that large is not written again;
- merging happens aside, without the lock. Under the lock the sources are looked for again: if another process merged
  or dropped them first, nothing is changed. Days are dropped the same way, and looked for anew if others changed them;
- retention is by whole days, counted back from the newest day of the store, so that a collector that was off for a
  month does not cost a month of evidence; never from a day after today, since an exporter may make up times.
"""

from __future__ import annotations

import json
from collections.abc import Collection, Iterable, Iterator
from contextlib import contextmanager, suppress
from hashlib import sha256
from itertools import groupby
from typing import Final

import pyarrow.parquet as pq
from msgspec import Struct

from flowdiag.collector.readers.parquet import BATCH_ROWS, flow_batch
from flowdiag.collector.readers.stored_flows import StoredFlows
from flowdiag.collector.report import ExportReport
from flowdiag.collector.store.backends import StorageBackend, failures_named
from flowdiag.collector.store.changes import Change, commit
from flowdiag.collector.store.finding import StoredFile, find_files
from flowdiag.collector.store.layout import INGESTED, NO_DAY, Partition, began_of, file_name
from flowdiag.collector.store.writer import FlowWriter
from flowdiag.durations import DAY_MS
from flowdiag.errors import StoreError

# Rows of a file that is not merged any more: about 100 MB, two days of a large site.
FULL_ROWS: Final = 6_000_000
# How long to wait until nobody reads; a large diagnosis takes a minute.
READERS_PATIENCE_S: Final = 120.0
# How often old days are looked for again when others change them meanwhile; each time that takes milliseconds.
ATTEMPTS: Final = 5


class _Changed(Exception):
    """Files that were listed have been merged or dropped by others."""


class Merged(Struct, frozen=True):
    """Files of a partition that became fewer."""

    partition: Partition
    files_before: int
    files_after: int
    rows: int


class Dropped(Struct, frozen=True):
    """A partition that was removed."""

    partition: Partition
    files: int
    rows: int
    octets: int


def compact(
    backend: StorageBackend,
    *,
    least_files: int = 2,
    exporters: Iterable[bytes] | None = None,
    patience_s: float = 0.0,
) -> list[Merged]:
    """Merges the small files of each partition that has at least so many. Raises StoreError.

    Partitions that others change or that are being read stay as they are.
    """
    files = find_files(backend, None if exporters is None else set(exporters))
    merged = []
    for partition, own in groupby(files, key=lambda file: file.partition):
        with suppress(_Changed):
            for run in _runs(backend, list(own)):
                if len(run) >= least_files:
                    done = _merge(backend, partition, run, patience_s)
                    if done is not None:
                        merged.append(done)
    return merged


def _runs(backend: StorageBackend, files: list[StoredFile]) -> list[list[StoredFile]]:
    """Files that follow each other and make one of at most FULL_ROWS."""
    runs: list[list[StoredFile]] = [[]]
    rows = 0
    if len(files) < 2:
        return []
    for file in files:
        own = _rows_of(backend, file)
        if rows + own > FULL_ROWS:
            runs.append([])
            rows = 0
        runs[-1].append(file)
        rows += own
    return [run for run in runs if len(run) > 1]


@contextmanager
def _opened(backend: StorageBackend, file: StoredFile) -> Iterator[pq.ParquetFile]:
    """Raises _Changed if the file is gone."""
    with failures_named(backend):
        try:
            source = backend.open_input(file.path)
        except FileNotFoundError as error:
            raise _Changed from error
        with source:
            yield pq.ParquetFile(source)


def _rows_of(backend: StorageBackend, file: StoredFile) -> int:
    """Rows of a file, by its footer."""
    with _opened(backend, file) as parquet:
        rows: int = parquet.metadata.num_rows
        return rows


def _all_there(backend: StorageBackend, files: Iterable[StoredFile]) -> bool:
    """Whether files are in the store still."""
    return all(
        {file.target for file in own} <= {entry.path for entry in backend.files(partition.folder)}
        for partition, own in groupby(files, key=lambda file: file.partition)
    )


def _merge(
    backend: StorageBackend, partition: Partition, run: list[StoredFile], patience_s: float
) -> Merged | None:
    began_ms = began_of(run[0].target)
    content = sha256("\n".join(file.target for file in run).encode()).hexdigest()
    writer = FlowWriter(backend, content, began_ms)
    report = ExportReport()
    stored = StoredFlows(report)
    try:
        for file in run:
            with _opened(backend, file) as parquet:
                metadata = parquet.metadata.metadata
                stored.add_metadata(metadata, file.target)
                for group in range(parquet.num_row_groups):
                    for batch in parquet.iter_batches(BATCH_ROWS, [group]):
                        writer.put(partition, flow_batch(batch, metadata))
    except BaseException:
        writer.discard()
        raise
    written = writer.finish({partition: report})
    moves = {
        done.aside: f"{partition.folder}/{file_name(began_ms, content, number)}"
        for number, done in enumerate(written)
    }
    change = Change(moves, tuple(file.target for file in run))
    if not commit(backend, change, lambda: _all_there(backend, run), patience_s=patience_s):
        for aside in moves:
            backend.remove(aside)
        return None
    return Merged(partition, len(run), len(moves), sum(done.rows for done in written))


def retain(
    backend: StorageBackend, days: int, today: int, *, patience_s: float = READERS_PATIENCE_S
) -> list[Dropped]:
    """Drops the days before the newest `days` of the store. today: days since 1970; patience_s: how long to wait until
    nobody reads. Raises StoreError.

    Flows without a usable day go when their export began before that.
    """
    for _ in range(ATTEMPTS):
        with suppress(_Changed):
            old, notes = _older(backend, days, today)
            dropped = [
                Dropped(
                    partition,
                    len(own),
                    sum(_rows_of(backend, file) for file in own),
                    sum(file.octets for file in own),
                )
                for partition, own in (
                    (key, list(group)) for key, group in groupby(old, key=lambda file: file.partition)
                )
            ]
            removals = (*(file.target for file in old), *notes)
            if not removals or _remove(backend, old, removals, patience_s):
                return dropped
            break
    raise StoreError(
        "the store was being read or changed all the time, so nothing was dropped",
        file=backend.name,
        advice="run this again",
    )


def _older(backend: StorageBackend, days: int, today: int) -> tuple[list[StoredFile], list[str]]:
    """The files of the days before the newest ones, and the notes about exports of which nothing will be left."""
    files = find_files(backend)
    newest = min(_newest_day(backend, files), today)
    if newest == NO_DAY:
        return [], []
    first_kept = newest - days + 1
    return [file for file in files if _day(file) < first_kept], _old_notes(backend, first_kept)


def _remove(
    backend: StorageBackend, old: Collection[StoredFile], removals: tuple[str, ...], patience_s: float
) -> bool:
    """False if the store is being read all the time. Raises _Changed."""

    def unchanged() -> bool:
        if not _all_there(backend, old):
            raise _Changed
        return True

    return commit(backend, Change(removals=removals), unchanged, patience_s=patience_s)


def _newest_day(backend: StorageBackend, files: list[StoredFile]) -> int:
    """The newest day with flows, NO_DAY if there is none."""
    newest_first = sorted(files, key=lambda file: -file.partition.day)
    return next((file.partition.day for file in newest_first if _rows_of(backend, file)), NO_DAY)


def _day(file: StoredFile) -> int:
    return began_of(file.target) // DAY_MS if file.partition.day == NO_DAY else file.partition.day


def _old_notes(backend: StorageBackend, first_kept: int) -> list[str]:
    """The notes about exports that have nothing on later days."""
    old = []
    for entry in backend.files(INGESTED):
        try:
            last_day = json.loads(backend.read(entry.path) or b"")["last_day"]
        except (ValueError, KeyError, TypeError):
            continue
        if isinstance(last_day, int) and last_day < first_kept:
            old.append(entry.path)
    return old
