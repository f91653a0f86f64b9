"""Flow records out of a store: only the partitions, row groups, columns and rows that a question needs.

Facts the design follows:
- a flow is in the partition of the day it ended on, and none lasts much longer than a day (an exporter's active
  timeout is minutes; the decoder leaves out times over a day old): flows that touch a span end on its days or the
  day after;
- where an exporter's clock is off, times are as exported: the span is moved to its clock, by what the file tells;
- each row group's statistics tell the times in it, so that most are passed over unread;
- partitions, and files in them, are read in sorted order: the same store always reads the same.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator
from typing import Any, Final

import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from flowdiag.collector.export import EVERYTHING, Span
from flowdiag.collector.readers.parquet import BATCH_ROWS, check_schema, flow_batch
from flowdiag.collector.readers.stored_flows import StoredFlows
from flowdiag.collector.report import ExportReport
from flowdiag.collector.store.changes import Change, is_store, pending
from flowdiag.collector.store.layout import (
    DAY_MS,
    NO_DAY,
    Partition,
    day_of,
    exporter_of,
    partition_of,
)
from flowdiag.collector.store.places import Place, failures_named
from flowdiag.collector.store.sharing import clock_offsets
from flowdiag.errors import StoreError
from flowdiag.flows import FLOW_SCHEMA, UNKNOWN_ADDRESS

_TIMES: Final = ("start", "end")
# Days after a span on which flows that touch it may have ended.
_LATER_DAYS: Final = 1


class StoredFile:
    """A file of flows. path: where it can be read; target: where it stands in the store."""

    def __init__(self, path: str, target: str, partition: Partition, octets: int) -> None:
        self.path = path
        self.target = target
        self.partition = partition
        self.octets = octets


def find_files(
    place: Place, exporters: Collection[bytes] | None = None, span: Span = EVERYTHING
) -> list[StoredFile]:
    """The files that may hold flows of these exporters (and of unknown ones) in a span, in order of reading.

    Raises StoreError if there is no store.
    """
    with failures_named(place):
        if not is_store(place):
            raise StoreError("there is no flow store", file=place.name, advice="check the path")
        left = pending(place)
        found = {}
        for exporter_folder in place.folders(""):
            exporter = exporter_of(exporter_folder)
            if exporter is None or not _is_wanted(exporter, exporters):
                continue
            for day_folder in place.folders(exporter_folder):
                day = day_of(day_folder)
                if day is not None and _touches(day, span):
                    for entry in place.files(f"{exporter_folder}/{day_folder}"):
                        if (partition := partition_of(entry.path)) is not None:
                            found[entry.path] = StoredFile(entry.path, entry.path, partition, entry.octets)
        _apply(left, found, exporters, span)
    return sorted(found.values(), key=lambda file: (file.partition, file.target))


def _apply(
    left: Change, found: dict[str, StoredFile], exporters: Collection[bytes] | None, span: Span
) -> None:
    """Looks at a change that is being carried out as if it had been."""
    for source, target in left.moves.items():
        partition = partition_of(target)
        if partition is None or target in found or not _is_wanted(partition.exporter, exporters):
            continue
        if _touches(partition.day, span):
            found[target] = StoredFile(source, target, partition, 0)
    for path in left.removals:
        found.pop(path, None)


def _is_wanted(exporter: bytes, exporters: Collection[bytes] | None) -> bool:
    return exporters is None or exporter == UNKNOWN_ADDRESS or exporter in exporters


def _touches(day: int, span: Span) -> bool:
    begin, end = span
    if day == NO_DAY:
        return True
    if begin is not None and (day + 1) * DAY_MS <= begin:
        return False
    return end is None or (day - _LATER_DAYS) * DAY_MS < end


class StoreReader:
    """Reads a store. columns: of FLOW_SCHEMA that are needed, None for all; the others come as null."""

    def __init__(
        self,
        place: Place,
        *,
        exporters: Collection[bytes] | None = None,
        span: Span = EVERYTHING,
        columns: Collection[str] | None = None,
    ) -> None:
        self._place = place
        self._exporters = exporters
        self._span = span
        needed = set(FLOW_SCHEMA.names if columns is None else columns) - {"exporter"}
        if span != EVERYTHING:
            needed |= {*_TIMES, "domain"}
        self._columns = [name for name in FLOW_SCHEMA.names if name in needed]

    def batches(
        self, stored: StoredFlows, count: Callable[[int, int], None] | None = None
    ) -> Iterator[pa.RecordBatch]:
        """The flow records in batches of FLOW_SCHEMA; stored learns what the files tell. count: told of each file's
        octets and those of all.

        Raises StoreError, ExportError for a damaged file.
        """
        with self._place.reading():
            files = find_files(self._place, self._exporters, self._span)
            octets = sum(file.octets for file in files)
            for file in files:
                yield from self._file(file, stored)
                if count is not None:
                    count(file.octets, octets)

    def _file(self, stored_file: StoredFile, stored: StoredFlows) -> Iterator[pa.RecordBatch]:
        name = f"{self._place.name}/{stored_file.target}"
        try:
            with self._open(stored_file) as source:
                file = pq.ParquetFile(source)
                metadata = file.metadata.metadata
                check_schema(file.schema_arrow, name)
                span = self._moved(metadata, name)
                stored.add_metadata(metadata, name)
                for group in _groups(file, span):
                    for batch in file.iter_batches(BATCH_ROWS, [group], columns=self._columns):
                        yield flow_batch(_inside(batch, span), metadata)
        except FileNotFoundError as error:
            raise StoreError(
                "the store changed while it was read", file=name, advice="run this again"
            ) from error
        except (pa.ArrowException, OSError) as error:
            raise StoreError(
                f"a damaged file in the store ({str(error).splitlines()[0]})",
                file=name,
                expected="a whole Parquet file",
                advice="restore it, or remove it and ingest its export again",
            ) from error

    def _open(self, stored_file: StoredFile) -> Any:
        try:
            return self._place.open_input(stored_file.path)
        except FileNotFoundError:  # of a change that has been carried out by now
            return self._place.open_input(stored_file.target)

    def _moved(self, metadata: dict[bytes, bytes] | None, name: str) -> Span:
        """The span by the clocks of a file's exporter."""
        if self._span == EVERYTHING:
            return EVERYTHING
        told = ExportReport()
        StoredFlows(told).add_metadata(metadata, name)
        offsets = [0, *clock_offsets(told).values()]
        begin, end = self._span
        return (
            None if begin is None else begin - max(offsets),
            None if end is None else end - min(offsets),
        )


def _groups(file: pq.ParquetFile, span: Span) -> Iterator[int]:
    """The row groups that may hold flows of a span."""
    places = _time_columns(file)
    begin, end = span
    for number in range(file.metadata.num_row_groups):
        group = file.metadata.row_group(number)
        first, last = _bounds(group, places)
        if begin is not None and last is not None and last < begin:
            continue
        if end is not None and first is not None and first >= end:
            continue
        yield number


def _bounds(group: Any, places: list[int]) -> tuple[int | None, int | None]:
    """Earliest and latest time in a row group, ms; None where its statistics do not tell."""
    firsts, lasts = [], []
    for place in places:
        statistics = group.column(place).statistics
        if statistics is not None and statistics.has_min_max:
            firsts.append(round(statistics.min.timestamp() * 1000))
            lasts.append(round(statistics.max.timestamp() * 1000))
        elif statistics is None or statistics.null_count != group.num_rows:
            return None, None
    return min(firsts, default=None), max(lasts, default=None)


def _inside(batch: pa.RecordBatch, span: Span) -> pa.RecordBatch:
    """The flows of a batch that touch a span; those without times never do."""
    begin, end = span
    if span == EVERYTHING:
        return batch
    kept = None
    if end is not None:
        starts = pc.coalesce(batch["start"], batch["end"]).cast(pa.int64())
        kept = pc.less(starts, end)
    if begin is not None:
        ends = pc.coalesce(batch["end"], batch["start"]).cast(pa.int64())
        late_enough = pc.greater_equal(ends, begin)
        kept = late_enough if kept is None else pc.and_(kept, late_enough)
    return batch.filter(kept)


def stored_span(place: Place, exporters: Collection[bytes] | None = None) -> Span:
    """The earliest start and latest end of flows by the statistics of the first and last days' files, in ms by the
    clock of the capture; None where nothing tells."""
    dated = [file for file in find_files(place, exporters) if file.partition.day != NO_DAY]
    days = sorted({file.partition.day for file in dated})
    # Flows that ended on the second day may have begun before those that ended on the first.
    outer = {*days[: 1 + _LATER_DAYS], *days[-1:]}
    bounds = [bound for file in dated if file.partition.day in outer for bound in _times_of(place, file)]
    firsts = [first for first, _, _ in bounds if first is not None]
    lasts = [last for _, last, _ in bounds if last is not None]
    return min(firsts, default=None), max(lasts, default=None)


class RowCounts:
    """About how many flow records touch a time, by the statistics of the files. widest: no later question is wider."""

    def __init__(self, place: Place, exporters: Collection[bytes] | None, widest: Span) -> None:
        self._place = place
        self._files = find_files(place, exporters, widest)
        self._times: dict[str, list[tuple[int | None, int | None, int]]] = {}

    def rows(self, span: Span) -> int:
        """About how many touch a span."""
        rows = 0.0
        for file in self._files:
            if not _touches(file.partition.day, span):
                continue
            if file.target not in self._times:
                self._times[file.target] = _times_of(self._place, file)
            for first, last, own in self._times[file.target]:
                if first is None or last is None:
                    rows += own
                    continue
                begin = first if span[0] is None else max(first, span[0])
                end = last if span[1] is None else min(last, span[1])
                rows += own * max(end - begin + 1, 0) / (last - first + 1)
        return round(rows)


def _times_of(place: Place, stored_file: StoredFile) -> list[tuple[int | None, int | None, int]]:
    """Earliest and latest time, by the clock of the capture, and rows of each row group."""
    with failures_named(place), place.open_input(stored_file.path) as source:
        file = pq.ParquetFile(source)
        told = ExportReport()
        StoredFlows(told).add_metadata(file.metadata.metadata, stored_file.target)
        shift = max((0, *clock_offsets(told).values()), key=abs)
        places = _time_columns(file)
        groups = [file.metadata.row_group(number) for number in range(file.num_row_groups)]
        bounds = [(*_bounds(group, places), group.num_rows) for group in groups]
    return [
        (None if first is None else first + shift, None if last is None else last + shift, rows)
        for first, last, rows in bounds
    ]


def _time_columns(file: pq.ParquetFile) -> list[int]:
    places = {file.metadata.schema.column(place).name: place for place in range(file.metadata.num_columns)}
    return [places[name] for name in _TIMES]
