"""Upkeep of a store: small files become large ones. Old days: retention.py.

Facts the design follows:
- a collector adds a file a minute and exporter; a question would open thousands. Files of one partition that follow
  each other are merged, their order kept, until they hold FULL_ROWS; what is that large is not written again;
- merging happens aside, without the lock. Under the lock the sources are looked for again: if another process merged
  or dropped them first, nothing is changed;
- roll-ups do not add up (an hour's summary of one file says nothing of what it left out): that of the merged file is
  made of its flows, as they are written.
"""

from __future__ import annotations

from collections.abc import Iterable
from contextlib import suppress
from hashlib import sha256
from itertools import groupby
from typing import Final

from msgspec import Struct

from flowdiag.collector.readers.parquet import BATCH_ROWS, flow_batch
from flowdiag.collector.readers.stored_flows import StoredFlows
from flowdiag.collector.report import ExportReport
from flowdiag.collector.store.backends import StorageBackend
from flowdiag.collector.store.changes import commit, remove_aside
from flowdiag.collector.store.finding import StoredFile, find_files
from flowdiag.collector.store.layout import Partition, began_of, rollup_path
from flowdiag.collector.store.looking import Changed, all_there, opened, rows_of
from flowdiag.collector.store.rolling import Roller
from flowdiag.collector.store.writer import FlowWriter, asides_of, change_of

# Rows of a file that is not merged any more: about 100 MB, two days of a large site.
FULL_ROWS: Final = 6_000_000


class Merged(Struct, frozen=True):
    """Files of a partition that became fewer. faults: why there is no roll-up, in words."""

    partition: Partition
    files_before: int
    files_after: int
    rows: int
    faults: tuple[str, ...] = ()


def compact(
    backend: StorageBackend,
    *,
    least_files: int = 2,
    exporters: Iterable[bytes] | None = None,
    roller: Roller | None = None,
    patience_s: float = 0.0,
) -> list[Merged]:
    """Merges the small files of each partition that has at least so many. roller: makes the merged files' roll-ups. Raises
    StoreError.

    Partitions that others change or that are being read stay as they are.
    """
    files = find_files(backend, None if exporters is None else set(exporters))
    merged = []
    for partition, own in groupby(files, key=lambda file: file.partition):
        with suppress(Changed):
            for run in _runs(backend, list(own)):
                if len(run) >= least_files:
                    done = _merge(backend, partition, run, roller, patience_s)
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
        own = rows_of(backend, file)
        if rows + own > FULL_ROWS:
            runs.append([])
            rows = 0
        runs[-1].append(file)
        rows += own
    return [run for run in runs if len(run) > 1]


def _merge(
    backend: StorageBackend,
    partition: Partition,
    run: list[StoredFile],
    roller: Roller | None,
    patience_s: float,
) -> Merged | None:
    content = sha256("\n".join(file.target for file in run).encode()).hexdigest()
    writer = FlowWriter(backend, content, began_of(run[0].target), roller=roller)
    report = ExportReport()
    stored = StoredFlows(report)
    try:
        for file in run:
            with opened(backend, file) as parquet:
                metadata = parquet.metadata.metadata
                stored.add_metadata(metadata, file.target)
                for group in range(parquet.num_row_groups):
                    for batch in parquet.iter_batches(BATCH_ROWS, [group]):
                        writer.put(partition, flow_batch(batch, metadata))
    except BaseException:
        writer.discard()
        raise
    written = writer.finish({partition: report})
    removals = (path for file in run for path in (file.target, rollup_path(file.target)))
    if not commit(
        backend, change_of(written, removals), lambda: all_there(backend, run), patience_s=patience_s
    ):
        remove_aside(backend, asides_of(written))
        return None
    return Merged(partition, len(run), len(written), sum(done.rows for done in written), tuple(writer.faults))
