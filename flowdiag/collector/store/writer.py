"""Flow records become files of a store, written aside: one for each partition, in order of export.

Facts the design follows:
- an export may hold many exporters and days in any mixture, so rows wait by partition until they make a row group,
  within a bound over all partitions; a file more for a partition is better than memory without end;
- a row group holds what an hour of a busy site sends, and its statistics give the times in it, so that a question
  about an hour reads little else (reading.py);
- times and ports change little from row to row or repeat little: differences cost less than a dictionary there
  (measured: five times less work for times, at half the octets). Addresses as they are: their dictionary would
  outgrow its page;
- a roll-up is made of the rows as they are written, one for each file, and written beside it when that is closed. What is
  summed up takes memory: of more files at a time than MAX_SUMMARIES, it is made of the file when that is closed;
- an exporter that makes up times cannot make up partitions without end: beyond a bound, rows go to the partition
  without a day.
"""

from __future__ import annotations

import uuid
from collections import OrderedDict
from collections.abc import Callable, Iterable, Mapping
from typing import Any, Final

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq
from msgspec import Struct, field
from numpy.typing import NDArray

from flowdiag.addresses import UNKNOWN_ADDRESS
from flowdiag.collector.readers.stored_flows import EXPORTER_KEY, flow_metadata, report_metadata
from flowdiag.collector.report import ExportReport
from flowdiag.collector.store.backends import StorageBackend, failures_named
from flowdiag.collector.store.beside import Making
from flowdiag.collector.store.changes import Change, remove_aside
from flowdiag.collector.store.finding import StoredFile
from flowdiag.collector.store.folder import ASIDE
from flowdiag.collector.store.layout import (
    LAST_DAY,
    MAX_PARTITIONS,
    NO_DAY,
    ROLLUP_SUFFIX,
    SUFFIX,
    Partition,
    file_name,
    rollup_path,
)
from flowdiag.collector.store.rolling import Roller
from flowdiag.durations import DAY_MS
from flowdiag.flows import FLOW_SCHEMA

ROW_GROUP_ROWS: Final = 1 << 17
MAX_WAITING_ROWS: Final = 1 << 20  # about 130 MB
MAX_SUMMARIES: Final = 4  # each some 100 MB at most
MAX_OPEN_FILES: Final = 32  # each keeps a footer that grows, and on an object store some MB of upload
# Exporters in one batch of the decoder, which holds no more domains; mediators could make up any number.
MAX_EXPORTERS_AT_ONCE: Final = 4_096
# Days in one batch of the decoder, which a usual exporter fills in minutes to hours, a slow one in a year.
MAX_DAYS_AT_ONCE: Final = 400

STORED_SCHEMA: Final = FLOW_SCHEMA.remove(FLOW_SCHEMA.get_field_index("exporter"))
_BY_DIFFERENCE: Final = ("start", "end", "src_port", "dst_port")
_AS_THEY_ARE: Final = ("src_address", "dst_address")
ENCODING: Final[dict[str, Any]] = {
    "compression": "zstd",
    "compression_level": 1,
    "column_encoding": dict.fromkeys(_BY_DIFFERENCE, "DELTA_BINARY_PACKED"),
    "use_dictionary": [n for n in STORED_SCHEMA.names if n not in (*_BY_DIFFERENCE, *_AS_THEY_ARE)],
}

Offsets = Mapping[tuple[bytes, int], int]


class Waiting(Struct):
    """Rows of one partition that do not make a row group yet, and the file that is open for it."""

    batches: list[pa.RecordBatch] = field(default_factory=list)
    rows: int = 0
    file: pq.ParquetWriter | None = None
    sink: Any = None
    path: str = ""
    making: Making | None = None  # None: its roll-up is made of the file


class Written(Struct, frozen=True):
    """A file written aside. target: its path in the store; rollup: where its roll-up was written aside, None without one."""

    aside: str
    target: str
    partition: Partition
    rows: int
    rollup: str | None = None


def change_of(files: Iterable[Written], removals: Iterable[str] = (), **more: Any) -> Change:
    """The change in which files that were written aside come into the store, each with its roll-up or without any. removals,
    more: of a Change."""
    moves, outdated = {}, []
    for file in files:
        beside = rollup_path(file.target)
        if file.rollup is None:
            outdated.append(beside)  # of flows that were there before
        else:
            moves[file.rollup] = beside
        moves[file.aside] = file.target
    return Change(moves, tuple(removals), outdated=tuple(outdated), **more)


def asides_of(files: Iterable[Written]) -> list[str]:
    """Where files, and their roll-ups, were written aside."""
    return [path for file in files for path in (file.aside, file.rollup) if path is not None]


class FlowWriter:
    """Writes the flow records of one export. unit: names it; began_ms: when it began, for the files' names, ms since 1970
    UTC; None for the earliest end of its first flows.

    offsets: called for how far the clock of each exporter and domain is off, in ms; days: those that flows can have ended
    on, None for any, others count as none; partitions: how many there may be; roller: makes a roll-up of each file.

    faults: why files have no roll-up that should have had one, in words.
    """

    def __init__(
        self,
        backend: StorageBackend,
        unit: str,
        began_ms: int | None,
        offsets: Callable[[], Offsets] = dict,
        *,
        days: range | None = None,
        partitions: int = MAX_PARTITIONS,
        roller: Roller | None = None,
    ) -> None:
        self._roller = roller
        self._days = days
        self._most = partitions
        self._backend = backend
        self._unit = unit
        self._aside = f"{ASIDE}/{backend.owner}{uuid.uuid4().hex}"  # another process may be writing the same
        self._began_ms = began_ms
        self._offsets = offsets
        self._waiting: OrderedDict[Partition, Waiting] = OrderedDict()
        self._rows_waiting = 0
        self._rows: dict[str, int] = {}
        self._written: list[tuple[str, str, Partition]] = []
        self._rollups: dict[str, str] = {}  # by the paths of their flows
        self._known: set[Partition] = set()
        self.rows = 0
        self.faults: list[str] = []

    def add(self, batch: pa.RecordBatch) -> None:
        """Takes a batch of FLOW_SCHEMA. Raises StoreError if a file cannot be written."""
        self.rows += batch.num_rows
        if self._began_ms is None:
            self._began_ms = pc.min(_ends(batch)).as_py()
        for exporter, of_exporter in by_exporter(batch):
            days = end_days(of_exporter, exporter, self._offsets())
            if self._days is not None:
                days = np.where((days < self._days.start) | (days >= self._days.stop), NO_DAY, days)
            for day, rows in by_day(of_exporter, days):
                self.put(self._bounded(Partition(exporter, day)), rows)

    def finish(self, reports: Mapping[Partition, ExportReport] | None = None) -> list[Written]:
        """Writes what waits, closes the files and has them on disk. reports: of each partition, for the
        metadata of its last file; a partition without rows gets a file without rows. Gives the files, in order of their paths."""
        reports = reports or {}
        for partition in sorted({*self._waiting, *reports}):
            if partition in reports and partition not in self._waiting:
                self._waiting[partition] = Waiting()
            self._write_group(partition, last=True, even_empty=partition in reports)
            self._close(partition, reports.get(partition))
        with failures_named(self._backend):
            self._backend.seal([*(aside for aside, _, _ in self._written), *self._rollups.values()])
        return sorted(
            (
                Written(aside, target, partition, self._rows[aside], self._rollups.get(aside))
                for aside, target, partition in self._written
            ),
            key=lambda written: written.target,
        )

    def done(self) -> None:
        """Leaves the files alone from now on: they are part of the store."""
        self._written.clear()
        self._rollups.clear()

    def discard(self) -> None:
        """Removes everything written, unless a change has begun to move it."""
        self._roller = None
        for partition, waiting in list(self._waiting.items()):
            waiting.making = None
            self._close(partition, None)
        paths = [*(aside for aside, _, _ in self._written), *self._rollups.values()]
        self.done()
        if paths:
            remove_aside(self._backend, paths)

    @property
    def partitions(self) -> dict[Partition, int]:
        """Rows of each partition so far."""
        counts: dict[Partition, int] = dict.fromkeys(sorted(self._known), 0)
        for aside, _, partition in self._written:
            counts[partition] += self._rows[aside]
        for partition, waiting in self._waiting.items():
            counts[partition] += waiting.rows
        return counts

    def _bounded(self, partition: Partition) -> Partition:
        if partition in self._known or len(self._known) < self._most:
            return partition
        partition = Partition(partition.exporter, NO_DAY)
        if partition in self._known or len(self._known) < 2 * self._most:
            return partition
        return Partition(UNKNOWN_ADDRESS, NO_DAY)

    def put(self, partition: Partition, batch: pa.RecordBatch) -> None:
        """Takes a batch of FLOW_SCHEMA that belongs to a partition as a whole. Raises StoreError."""
        self._known.add(partition)
        waiting = self._waiting.setdefault(partition, Waiting())
        waiting.batches.append(batch)
        waiting.rows += batch.num_rows
        self._rows_waiting += batch.num_rows
        if waiting.rows >= ROW_GROUP_ROWS:
            self._write_group(partition)
        while self._rows_waiting > MAX_WAITING_ROWS:
            self._write_group(max(self._waiting, key=lambda other: self._waiting[other].rows))

    def _write_group(self, partition: Partition, *, last: bool = False, even_empty: bool = False) -> None:
        waiting = self._waiting[partition]
        if not waiting.rows and not even_empty:
            return
        with failures_named(self._backend):
            if waiting.file is None:
                self._open(partition, waiting, last=last)
            assert waiting.file is not None
            if waiting.rows:
                flows = pa.Table.from_batches(waiting.batches, FLOW_SCHEMA)
                rows = flows.select(STORED_SCHEMA.names).cast(waiting.file.schema)
                most = 2 * ROW_GROUP_ROWS
                waiting.file.write_table(rows, row_group_size=most)
                if waiting.making is not None:
                    for begin in range(0, waiting.rows, most):  # as they are read again
                        waiting.making.add(flows.slice(begin, most))
        self._rows[waiting.path] += waiting.rows
        self._rows_waiting -= waiting.rows
        waiting.batches, waiting.rows = [], 0
        self._waiting.move_to_end(partition)
        opened = [other for other, state in self._waiting.items() if state.file is not None]
        if len(opened) > MAX_OPEN_FILES:
            self._close(opened[0], None)

    def _open(self, partition: Partition, waiting: Waiting, *, last: bool) -> None:
        """last: it is closed right after."""
        name = file_name(self._began_ms or 0, self._unit, len(self._written))
        waiting.path = f"{self._aside}/{len(self._written):04d}{SUFFIX}"
        summaries = sum(other.making is not None for other in self._waiting.values())
        if last or summaries < MAX_SUMMARIES:
            waiting.making = Making(self._roller, partition)
        schema = STORED_SCHEMA.with_metadata(
            flow_metadata() | {EXPORTER_KEY: partition.exporter.hex().encode()}
        )
        waiting.sink = self._backend.open_output(waiting.path)
        waiting.file = pq.ParquetWriter(waiting.sink, schema, **ENCODING)
        self._written.append((waiting.path, f"{partition.folder}/{name}", partition))
        self._rows[waiting.path] = 0

    def _close(self, partition: Partition, report: ExportReport | None) -> None:
        waiting = self._waiting.pop(partition)
        if waiting.rows:  # its file makes room, its rows go on waiting
            self._waiting[partition] = Waiting(waiting.batches, waiting.rows)
        if waiting.file is None:
            return
        with failures_named(self._backend):
            if report is not None:
                waiting.file.add_key_value_metadata(report_metadata(report))
            waiting.file.close()
            waiting.sink.close()
        self._write_rollup(partition, waiting, report)

    def _write_rollup(self, partition: Partition, waiting: Waiting, report: ExportReport | None) -> None:
        flows, making = waiting.path, waiting.making
        if making is None:
            making = Making(self._roller, partition)
            making.read(self._backend, StoredFile(flows, flows, partition, 0))
        octets = making.finish(report)
        path = flows.removesuffix(SUFFIX) + ROLLUP_SUFFIX
        if octets is not None and making.write(self._backend, octets, path, flows):
            self._rollups[flows] = path
        if making.fault:
            self.faults.append(making.fault)


def by_exporter(batch: pa.RecordBatch) -> list[tuple[bytes, pa.RecordBatch]]:
    """The rows of each exporter, in order; exporters sorted. Those beyond MAX_EXPORTERS_AT_ONCE count as unknown."""
    encoded = batch["exporter"].fill_null(UNKNOWN_ADDRESS).dictionary_encode()
    exporters: list[bytes] = encoded.dictionary.to_pylist()
    if len(exporters) <= 1:
        return [(exporter, batch) for exporter in exporters]
    indices = encoded.indices.to_numpy()
    if len(exporters) > MAX_EXPORTERS_AT_ONCE:
        exporters = [*exporters[:MAX_EXPORTERS_AT_ONCE], UNKNOWN_ADDRESS]
        indices = np.minimum(indices, MAX_EXPORTERS_AT_ONCE)
    return sorted(
        ((exporters[number], rows) for number, rows in _split(batch, indices)), key=lambda pair: pair[0]
    )


def _split(batch: pa.RecordBatch, keys: NDArray[np.int64]) -> list[tuple[int, pa.RecordBatch]]:
    """The rows of each key, in order; keys ascending."""
    distinct, counts = np.unique(keys, return_counts=True)
    order = np.argsort(keys, kind="stable")
    return [
        (int(key), batch.take(pa.array(rows)))
        for key, rows in zip(distinct, np.split(order, np.cumsum(counts)[:-1]), strict=True)
    ]


def end_days(batch: pa.RecordBatch, exporter: bytes, offsets: Offsets) -> NDArray[np.int64]:
    """The partition day of each row of one exporter: NO_DAY where it has no time, or none that is a date."""
    times = _ends(batch).fill_null(-1).to_numpy(zero_copy_only=False)
    own = {domain: offset for (source, domain), offset in offsets.items() if source == exporter and offset}
    if own:
        domains = batch["domain"].fill_null(0).to_numpy(zero_copy_only=False)
        shifted = times.copy()
        for domain, offset in own.items():
            shifted[(domains == domain) & (times >= 0)] += offset
        times = shifted
    days = np.floor_divide(times, DAY_MS)
    out_of_range = (days < 0) | (days > LAST_DAY)
    return np.where(out_of_range, NO_DAY, days) if out_of_range.any() else days


def _ends(batch: pa.RecordBatch) -> pa.Array:
    """End in ms; where it is unknown the start stands for it."""
    ends = batch["end"]
    return (pc.coalesce(ends, batch["start"]) if ends.null_count else ends).cast(pa.int64())


def by_day(batch: pa.RecordBatch, days: NDArray[np.int64]) -> list[tuple[int, pa.RecordBatch]]:
    """The rows of each day, in order; days ascending. Beyond MAX_DAYS_AT_ONCE days, rows of the rarest get NO_DAY."""
    if not len(days):
        return []
    first = int(days[0])
    if (days == first).all():
        return [(first, batch)]
    distinct, counts = np.unique(days, return_counts=True)
    if len(distinct) > MAX_DAYS_AT_ONCE:
        common = distinct[np.argsort(-counts, kind="stable")[:MAX_DAYS_AT_ONCE]]
        days = np.where(np.isin(days, common), days, NO_DAY)
    return _split(batch, days)
