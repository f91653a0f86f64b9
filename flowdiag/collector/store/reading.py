"""Flow records out of a store: only the partitions, row groups, columns and rows that a question needs.

Facts the design follows:
- where an exporter's clock is off, times are as exported: the span is moved to its clock, by the offset in the file;
- each row group's statistics give the times in it, so that most are passed over unread;
- a file that is damaged, or that somebody else put there, is left out from where it cannot be read, and said to be.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Sequence
from typing import Final

import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from flowdiag.buffers import scalar
from flowdiag.collector.readers.parquet import BATCH_ROWS, check_schema, flow_batch
from flowdiag.collector.readers.stored_flows import StoredFlows
from flowdiag.collector.report import ExportReport
from flowdiag.collector.span import EVERYTHING, Span
from flowdiag.collector.store.backends import StorageBackend
from flowdiag.collector.store.finding import StoredFile, find_files, open_stored
from flowdiag.collector.store.sharing import clock_offsets
from flowdiag.collector.store.statistics import TIMES, groups_of
from flowdiag.errors import ExportError, StoreChanged
from flowdiag.flows import FLOW_SCHEMA

# To share out the columns of fewer records to threads costs more than to read them.
LEAST_FOR_THREADS: Final = 50_000

Unusable = Callable[[ExportError], None]


class StoreReader:
    """Reads a store. unusable: called for each damaged or foreign file; span: only flows that touch it; columns: of
    FLOW_SCHEMA that are needed, None for all; the others come as null."""

    def __init__(
        self,
        backend: StorageBackend,
        unusable: Unusable,
        *,
        span: Span = EVERYTHING,
        columns: Collection[str] | None = None,
    ) -> None:
        self._backend = backend
        self._unusable = unusable
        self._span = span
        needed = set(FLOW_SCHEMA.names if columns is None else columns) - {"exporter"}
        if span != EVERYTHING:
            needed |= {*TIMES, "domain"}
        self._columns = [name for name in FLOW_SCHEMA.names if name in needed]

    def batches(
        self,
        stored: StoredFlows,
        exporters: Collection[bytes] | None = None,
        count: Callable[[int, int], None] | None = None,
    ) -> Iterator[pa.RecordBatch]:
        """The flow records of some exporters, and of unknown ones, in batches of FLOW_SCHEMA; stored takes the
        files' reports. count: called with each file's octets and those of all. Raises StoreError.
        """
        with self._backend.reading():
            files = find_files(self._backend, exporters, self._span)
            octets = sum(file.octets for file in files)
            for file in files:
                yield from self.read([file], stored)
                if count is not None:
                    count(file.octets, octets)

    def read(
        self, files: Sequence[StoredFile], stored: StoredFlows, spans: Sequence[Span] = ()
    ) -> Iterator[pa.RecordBatch]:
        """The flow records of files that find_files() gave, while backend.reading() is held. As batches().

        spans: only row groups that may hold flows of one of them, the reader's own span aside.
        """
        for file in files:
            yield from self._file(file, stored, spans)

    def _file(
        self, stored_file: StoredFile, stored: StoredFlows, spans: Sequence[Span]
    ) -> Iterator[pa.RecordBatch]:
        name = f"{self._backend.name}/{stored_file.target}"
        read, rows = 0, 0
        try:
            with open_stored(self._backend, stored_file) as source:
                file = pq.ParquetFile(source)
                rows = file.metadata.num_rows
                metadata = file.metadata.metadata
                check_schema(file.schema_arrow, name)
                span = _moved(self._span, metadata, name)
                parts = [_moved(part, metadata, name) for part in spans] or [span]
                stored.add_metadata(metadata, name)
                for group in sorted({group for part in parts for group in groups_of(file, part)}):
                    threads = file.metadata.row_group(group).num_rows >= LEAST_FOR_THREADS
                    for batch in file.iter_batches(
                        BATCH_ROWS, [group], columns=self._columns, use_threads=threads
                    ):
                        read += batch.num_rows
                        yield flow_batch(_inside(batch, span), metadata)
        except FileNotFoundError as error:
            raise StoreChanged(name) from error
        except (pa.ArrowException, OSError, UnicodeDecodeError) as error:
            self._unusable(
                ExportError(
                    f"a damaged file of the store{_missing(read, rows)} ({_first_line(error)})",
                    file=name,
                    expected="a whole Parquet file",
                    advice="restore it, or remove it and its note and ingest its export again",
                )
            )
        except ExportError as error:
            self._unusable(error)


def _moved(span: Span, metadata: dict[bytes, bytes] | None, name: str) -> Span:
    """A span by the clocks of a file's exporter."""
    if span == EVERYTHING:
        return EVERYTHING
    report = ExportReport()
    StoredFlows(report).add_metadata(metadata, name)
    offsets = [0, *clock_offsets(report).values()]
    begin, end = span
    return (
        None if begin is None else begin - max(offsets),
        None if end is None else end - min(offsets),
    )


def _missing(read: int, rows: int) -> str:
    return f", read up to record {read:,} of {rows:,}" if read else ""


def _first_line(error: Exception) -> str:
    return (str(error).splitlines() or [type(error).__name__])[0]


def _inside(batch: pa.RecordBatch, span: Span) -> pa.RecordBatch:
    """The flows of a batch that touch a span; those without times never do."""
    begin, end = span
    if span == EVERYTHING:
        return batch
    chosen = None
    if end is not None:
        starts = pc.coalesce(batch["start"], batch["end"]).cast(pa.int64())
        chosen = pc.less(starts, scalar(end, starts.type))
    if begin is not None:
        ends = pc.coalesce(batch["end"], batch["start"]).cast(pa.int64())
        late_enough = pc.greater_equal(ends, scalar(begin, ends.type))
        chosen = late_enough if chosen is None else pc.and_(chosen, late_enough)
    return batch.filter(chosen)
