"""The days of flows in a store: which files hold a site's day, and what is in them.

Facts the design follows: the store keeps Hive partitions exporter=<address>/day=<UTC date> of Parquet files that are
never changed once written, so a day is known by the names and sizes of its files; the store may lie on any file system
that pyarrow knows.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from functools import cached_property
from typing import Final
from urllib.parse import unquote

import pyarrow as pa
import pyarrow.fs as pafs
import pyarrow.parquet as pq

from flowdiag.aggregator.addresses import to_bytes
from flowdiag.collector.readers.parquet import BATCH_ROWS, check_schema
from flowdiag.collector.readers.stored_flows import StoredFlows
from flowdiag.collector.report import ExportReport
from flowdiag.errors import FlowdiagError, StoreError
from flowdiag.flows import FLOW_SCHEMA

EXPORTER_KEY: Final = "exporter="
DAY_KEY: Final = "day="
# What a review keeps in a store; tools that read the folder as one table pass names with an underscore over.
REVIEW_FOLDER: Final = "_review"


@dataclass(frozen=True, order=True)
class FlowFile:
    """path: within the store's file system."""

    path: str
    octets: int

    @property
    def name(self) -> str:
        """Its place below the store: exporter, day and file."""
        return "/".join(self.path.rsplit("/", 3)[1:])


class FlowDays:
    """A flow store, read by site and day. location: a folder, or a URI such as s3://bucket/flows.

    Raises StoreError if there is none.
    """

    def __init__(self, location: str) -> None:
        self.location = location
        self.filesystem, self.root = _opened(location)

    @cached_property
    def exporters(self) -> dict[bytes, str]:
        """The folder of each exporter."""
        found = {}
        for info in self._listed(self.root, recursive=False):
            if info.type == pafs.FileType.Directory and info.base_name.startswith(EXPORTER_KEY):
                try:
                    address = to_bytes(unquote(info.base_name.removeprefix(EXPORTER_KEY)))
                except ValueError:
                    continue  # a folder of someone else's
                found[address] = info.path
        if not found:
            raise StoreError(
                "holds no flows",
                file=self.location,
                expected='a flow store, as "flowdiag ingest" writes it',
            )
        return found

    def files(self, exporters: Sequence[bytes]) -> dict[date, tuple[FlowFile, ...]]:
        """The Parquet files of some exporters by UTC day, days and files in order."""
        days: dict[date, list[FlowFile]] = {}
        for exporter in sorted(set(exporters) & set(self.exporters)):
            for info in self._listed(self.exporters[exporter], recursive=True):
                folder = info.path.rsplit("/", 2)[-2]
                day = _day_of(folder)
                hidden = info.base_name.startswith((".", "_"))
                if info.type == pafs.FileType.File and day is not None and not hidden:
                    days.setdefault(day, []).append(FlowFile(info.path, info.size))
        return {day: tuple(sorted(days[day])) for day in sorted(days)}

    def batches(self, files: Sequence[FlowFile], report: ExportReport) -> Iterator[pa.RecordBatch]:
        """The flow records of some files in batches of FLOW_SCHEMA; report learns what the files tell besides.

        A file that cannot be read is left out with a problem in the report.
        """
        stored = StoredFlows(report)
        for file in files:
            try:
                yield from self._read(file, stored)
            except FlowdiagError as error:
                report.problem(file.name, error.offset, error.what)
            except (pa.ArrowException, OSError) as error:
                report.problem(file.name, None, f"damaged Parquet ({str(error).splitlines()[0]})")

    def _read(self, file: FlowFile, stored: StoredFlows) -> Iterator[pa.RecordBatch]:
        with self.filesystem.open_input_file(file.path) as octets:
            parquet = pq.ParquetFile(octets)
            check_schema(parquet.schema_arrow, file.name)
            stored.add_metadata(parquet.schema_arrow.metadata, file.name)
            for batch in parquet.iter_batches(BATCH_ROWS, columns=FLOW_SCHEMA.names, use_threads=False):
                if batch.num_rows:
                    columns = [batch.column(field.name).cast(field.type) for field in FLOW_SCHEMA]
                    yield pa.RecordBatch.from_arrays(columns, schema=FLOW_SCHEMA)

    def _listed(self, folder: str, *, recursive: bool) -> list[pafs.FileInfo]:
        try:
            return list(self.filesystem.get_file_info(pafs.FileSelector(folder, recursive=recursive)))
        except (OSError, pa.ArrowException) as error:
            raise StoreError(f"cannot be listed: {str(error).splitlines()[0]}", file=self.location) from error


def day_start_ms(day: date) -> int:
    """Begin of a UTC day in ms since 1970."""
    return int(datetime(day.year, day.month, day.day, tzinfo=UTC).timestamp()) * 1000


def utc_day(time_ms: int) -> date:
    return (datetime(1970, 1, 1, tzinfo=UTC) + timedelta(milliseconds=time_ms)).date()


def _opened(location: str) -> tuple[pafs.FileSystem, str]:
    try:
        if "://" in location:
            filesystem, root = pafs.FileSystem.from_uri(location)
        else:
            filesystem, root = pafs.LocalFileSystem(), location
        kind = filesystem.get_file_info(root).type
    except (OSError, ValueError, pa.ArrowException) as error:
        raise StoreError(f"cannot be opened: {str(error).splitlines()[0]}", file=location) from error
    if kind == pafs.FileType.NotFound:
        raise StoreError("no such folder", file=location, expected="a flow store")
    if kind != pafs.FileType.Directory:
        raise StoreError("is no folder", file=location, expected="a flow store")
    return filesystem, root.rstrip("/") or root


def _day_of(folder: str) -> date | None:
    if not folder.startswith(DAY_KEY):
        return None
    try:
        return date.fromisoformat(folder.removeprefix(DAY_KEY))
    except ValueError:
        return None
