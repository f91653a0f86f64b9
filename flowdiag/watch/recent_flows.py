"""The newest flows of sites that are looked at again and again, kept by the process that looks.

Facts the design follows:
- a file of a store is never used again for other content, and a collector adds one a minute: what was read of the others is
  still so, and to open a file costs more than the records of a minute;
- a thousand sites are looked at by few processes: what is kept is packed, records four times as densely, and minutes in which an
  exporter was heard twenty times;
- the files are taken in their order, as who reads all of them does: where one comes that belongs before what is kept, or one is
  gone (merged with others, dropped), all are read anew.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.ipc
from msgspec import Struct
from numpy.typing import NDArray

from flowdiag.buffers import scalar
from flowdiag.collector.readers.stored_flows import StoredFlows
from flowdiag.collector.report import ExportReport
from flowdiag.collector.store.backends import StorageBackend
from flowdiag.collector.store.finding import StoredFile
from flowdiag.collector.store.reading import StoreReader
from flowdiag.collector.store.sharing import clock_offsets
from flowdiag.flows import FLOW_SCHEMA

# Records kept by one process, of all sites: some 30 octets each.
MOST_KEPT: Final = 3_000_000
# Of one site; a larger one is read anew.
MOST_OF_ONE: Final = 200_000
# Records from before the time that is looked at go when they are more than this, and more than what is in it.
MOST_OLD: Final = 5_000


class _Kept(Struct):
    """begin_ms: flows that end from then on are all there; files: of which, in their order; report: without the minutes in which
    exporters were heard, which `heard` has; flows: packed; rows: how many."""

    begin_ms: int
    files: list[str]
    report: ExportReport
    stored: StoredFlows
    heard: dict[bytes, NDArray[np.int64]]
    flows: bytes
    rows: int

    def copied(self) -> ExportReport:
        report = self.report.copy()
        report.heard_minutes = {exporter: set(minutes.tolist()) for exporter, minutes in self.heard.items()}
        return report

    def take_heard(self) -> None:
        """Packs the minutes that files told."""
        for exporter, minutes in self.report.heard_minutes.items():
            new = np.fromiter(minutes, np.int64, len(minutes))
            known = self.heard.get(exporter)
            self.heard[exporter] = np.union1d(new, known) if known is not None else np.sort(new)
        self.report.heard_minutes = {}

    def keep(self, flows: pa.RecordBatch) -> None:
        self.flows, self.rows = _packed(flows), flows.num_rows


_kept: dict[tuple[str, frozenset[bytes] | None], _Kept] = {}  # the one asked for last is the last


def recent_flows(
    backend: StorageBackend,
    exporters: frozenset[bytes] | None,
    files: Sequence[StoredFile],
    begin_ms: int,
) -> tuple[pa.RecordBatch, ExportReport]:
    """The flows of some exporters' files that end from begin_ms on, and what the files tell beside; both are the caller's own.
    While backend.reading() is held. Raises StoreError."""
    key = backend.name, exporters
    kept = _kept.pop(key, None)
    names = [file.target for file in files]
    if kept is None or kept.begin_ms > begin_ms or names[: len(kept.files)] != kept.files:
        report = ExportReport()
        kept = _Kept(begin_ms, [], report, StoredFlows(report), {}, _packed(_joined([])), 0)
    new = _read(backend, files[len(kept.files) :], kept)
    kept.files = names
    every = _joined([_unpacked(kept.flows), *new])
    flows = _from(every, begin_ms - max([0, *clock_offsets(kept.report).values()]))
    if every.num_rows - flows.num_rows > max(flows.num_rows, MOST_OLD):
        kept.keep(flows)
        kept.begin_ms = begin_ms
    elif new:
        kept.keep(every)
    if kept.rows <= MOST_OF_ONE:
        _kept[key] = kept
        _forget_oldest()
    return flows, kept.copied()


def _read(backend: StorageBackend, files: Sequence[StoredFile], kept: _Kept) -> list[pa.RecordBatch]:
    reader = StoreReader(
        backend,
        lambda error: kept.report.problem(str(error.file or ""), error.offset, error.what),
        span=(kept.begin_ms, None),
    )
    batches = [batch for batch in reader.read(files, kept.stored) if batch.num_rows]
    kept.take_heard()
    return batches


def _packed(flows: pa.RecordBatch) -> bytes:
    sink = pa.BufferOutputStream()
    with pa.ipc.new_stream(
        sink, flows.schema, options=pa.ipc.IpcWriteOptions(compression="lz4", use_threads=False)
    ) as out:
        out.write_batch(flows)
    octets: bytes = sink.getvalue().to_pybytes()
    return octets


def _unpacked(flows: bytes) -> pa.RecordBatch:
    return pa.ipc.open_stream(flows).read_next_batch()


def _joined(batches: Sequence[pa.RecordBatch]) -> pa.RecordBatch:
    table = pa.Table.from_batches(batches, FLOW_SCHEMA).combine_chunks()
    found = table.unify_dictionaries().combine_chunks().to_batches()
    return found[0] if found else pa.RecordBatch.from_pylist([], schema=FLOW_SCHEMA)


def _from(flows: pa.RecordBatch, begin_ms: int) -> pa.RecordBatch:
    """Those that end from then on, by the exporter's clock; those without times never do."""
    ends = pc.coalesce(flows["end"], flows["start"]).cast(pa.int64())
    return flows.filter(pc.greater_equal(ends, scalar(begin_ms, ends.type)))


def _forget_oldest() -> None:
    rows = sum(kept.rows for kept in _kept.values())
    while rows > MOST_KEPT:
        rows -= _kept.pop(next(iter(_kept))).rows
