"""The statistics of a store's files: which times each row group holds, without reading a flow."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from typing import Any, Final

import pyarrow as pa
import pyarrow.parquet as pq

from flowdiag.collector.readers.parquet import check_schema
from flowdiag.collector.readers.stored_flows import StoredFlows
from flowdiag.collector.report import ExportReport
from flowdiag.collector.span import Span
from flowdiag.collector.store.backends import StorageBackend
from flowdiag.collector.store.finding import LATER_DAYS, StoredFile, find_files, open_stored, touches
from flowdiag.collector.store.layout import NO_DAY
from flowdiag.collector.store.sharing import clock_offsets
from flowdiag.errors import ExportError, StoreChanged
from flowdiag.flows import FLOW_SCHEMA

TIMES: Final = ("start", "end")
TimesOfGroup = tuple[int | None, int | None, int]  # earliest start, latest end, rows of a row group


def groups_of(file: pq.ParquetFile, span: Span) -> Iterator[int]:
    """The row groups that may hold flows of a span."""
    columns = _time_columns(file)
    begin, end = span
    for number in range(file.metadata.num_row_groups):
        group = file.metadata.row_group(number)
        first, last = _bounds(group, columns)
        if begin is not None and last is not None and last < begin:
            continue
        if end is not None and first is not None and first >= end:
            continue
        yield number


def _bounds(group: Any, columns: list[int]) -> tuple[int | None, int | None]:
    """Earliest and latest time in a row group, ms; None where its statistics do not say."""
    firsts, lasts = [], []
    for column in columns:
        statistics = group.column(column).statistics
        if statistics is not None and statistics.has_min_max:
            firsts.append(statistics.min_raw)
            lasts.append(statistics.max_raw)
        elif statistics is None or statistics.null_count != group.num_rows:
            return None, None
    return min(firsts, default=None), max(lasts, default=None)


def stored_span(backend: StorageBackend, exporters: Collection[bytes] | None = None) -> Span:
    """The earliest start and latest end of flows by the statistics of the first and last days' files, in ms by the
    clock of the capture; None where nothing says."""
    dated = [file for file in find_files(backend, exporters) if file.partition.day != NO_DAY]
    days = sorted({file.partition.day for file in dated})
    # Flows that ended on the second day may have begun before those that ended on the first.
    outer = {*days[: 1 + LATER_DAYS], *days[-1:]}
    bounds = [bound for file in dated if file.partition.day in outer for bound in times_of(backend, file)]
    firsts = [first for first, _, _ in bounds if first is not None]
    lasts = [last for _, last, _ in bounds if last is not None]
    return min(firsts, default=None), max(lasts, default=None)


# What is known of files, which never change under their names: a question looks at the same ones several times, and a process
# that answers many questions at those of its sites again and again.
MOST_KNOWN: Final = 20_000
_known: dict[tuple[str, str], list[TimesOfGroup]] = {}


class RowCounts:
    """About how many flow records touch a time, by the statistics of the files. widest: no later question is wider."""

    def __init__(self, backend: StorageBackend, exporters: Collection[bytes] | None, widest: Span) -> None:
        self._backend = backend
        self._files = find_files(backend, exporters, widest)
        self._times: dict[str, list[TimesOfGroup]] = {}

    def rows(self, span: Span) -> int:
        """About how many touch a span."""
        rows = 0.0
        for file in self._files:
            if not touches(file.partition.day, span):
                continue
            if file.target not in self._times:
                self._times[file.target] = times_of(self._backend, file)
            for first, last, own in self._times[file.target]:
                if first is None or last is None:
                    rows += own
                    continue
                begin = first if span[0] is None else max(first, span[0])
                end = last if span[1] is None else min(last, span[1])
                rows += own * max(end - begin + 1, 0) / (last - first + 1)
        return round(rows)


def times_of(backend: StorageBackend, stored_file: StoredFile) -> list[TimesOfGroup]:
    """Earliest and latest time, by the clock of the capture, and rows of each row group; none of a damaged file,
    which StoreReader reports. Raises StoreChanged."""
    key = backend.name, stored_file.target
    known = _known.get(key)
    if known is None:
        known = _times_in(backend, stored_file)
        if len(_known) >= MOST_KNOWN:
            _known.clear()
        if known:
            _known[key] = known
    return known


def _times_in(backend: StorageBackend, stored_file: StoredFile) -> list[TimesOfGroup]:
    try:
        with open_stored(backend, stored_file) as source:
            file = pq.ParquetFile(source)
            check_schema(file.schema_arrow, stored_file.target)
            report = ExportReport()
            StoredFlows(report).add_metadata(file.metadata.metadata, stored_file.target)
            shift = max((0, *clock_offsets(report).values()), key=abs)
            columns = _time_columns(file)
            groups = [file.metadata.row_group(number) for number in range(file.num_row_groups)]
            bounds = [(*_bounds(group, columns), group.num_rows) for group in groups]
    except FileNotFoundError as error:
        raise StoreChanged(f"{backend.name}/{stored_file.target}") from error
    except (pa.ArrowException, OSError, UnicodeDecodeError, ExportError):
        return []
    return [
        (None if first is None else first + shift, None if last is None else last + shift, rows)
        for first, last, rows in bounds
    ]


def _time_columns(file: pq.ParquetFile) -> list[int]:
    """The indices of the TIMES columns; none if they are of another type than flowdiag writes."""
    schema = file.schema_arrow
    if any(schema.field(name).type != FLOW_SCHEMA.field(name).type for name in TIMES):
        return []
    indices = {file.metadata.schema.column(index).name: index for index in range(file.metadata.num_columns)}
    return [indices[name] for name in TIMES]
