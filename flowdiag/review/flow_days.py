"""The days of flows in a store: which files hold a site's day, and what is in them.

Facts the design follows: files of a store are never changed once written, so a day is known by the names of its files;
a damaged file costs its own flows and is named, never the review of a thousand other sites.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import date, timedelta
from itertools import groupby
from typing import Final

import pyarrow as pa
import pyarrow.parquet as pq
from msgspec import Struct

from flowdiag.collector.readers.parquet import BATCH_ROWS, check_schema, flow_batch
from flowdiag.collector.readers.stored_flows import StoredFlows
from flowdiag.collector.report import ExportReport
from flowdiag.collector.span import Span
from flowdiag.collector.store.finding import StoredFile, find_files, open_stored
from flowdiag.collector.store.layout import NO_DAY, SUFFIX
from flowdiag.collector.store.opening import open_backend
from flowdiag.errors import FlowdiagError, StoreChanged
from flowdiag.review.rolled_days import NEEDED, RolledDay
from flowdiag.rollup.stored import DAMAGED, read_rollups

_EPOCH: Final = date(1970, 1, 1)


class FlowDay(Struct, frozen=True):
    """The files of a site's UTC day, in order of reading. day: days since 1970."""

    day: int
    files: tuple[StoredFile, ...]

    @property
    def names(self) -> list[str]:
        return [file.target.removesuffix(SUFFIX) for file in self.files]

    @property
    def month(self) -> str:
        """YYYY-MM."""
        return f"{day_date(self.day):%Y-%m}"


class FlowDays:
    """A flow store, read by site and day. location: a folder, or an address such as s3://bucket/flows."""

    def __init__(self, location: str) -> None:
        self.location = location
        self.backend = open_backend(location)

    def days(self, exporters: Sequence[bytes], span: Span) -> list[FlowDay]:
        """The days that may hold flows of some exporters (all, if none are given) in a span of time, in order.

        Raises StoreError if there is no store.
        """
        files = [
            file
            for file in find_files(self.backend, exporters or None, span)
            if file.partition.day != NO_DAY  # flows without times tell nothing here
        ]
        by_day = sorted(files, key=lambda file: (file.partition.day, file.partition, file.target))
        return [FlowDay(day, tuple(own)) for day, own in groupby(by_day, key=lambda file: file.partition.day)]

    def rolled(self, day: FlowDay, faults: list[str]) -> RolledDay | None:
        """The roll-ups of all files of a day; None where one of them is missing or needs its flows.

        faults: gets, in words, which are damaged.
        """
        report = ExportReport()
        stored = StoredFlows(report)
        found = []
        for file in day.files:
            (rolled,) = read_rollups(
                self.backend,
                [file],
                NEEDED,
                lambda path, why: faults.append(f"{path}: {DAMAGED}: {why}"),
                NEEDED,
            )
            if rolled.rollup is None or rolled.rollup.facts.needs_flows:
                return None
            try:
                stored.add_metadata(rolled.rollup.report, file.target)
            except FlowdiagError as error:
                faults.append(f"{file.target}: {DAMAGED}: {error.what}")
                return None
            found.append(rolled.rollup)
        return RolledDay(day.day, tuple(found), report)

    def batches(self, files: Sequence[StoredFile], report: ExportReport) -> Iterator[pa.RecordBatch]:
        """The flow records of some files in batches of FLOW_SCHEMA; report learns what the files tell besides.

        A file that cannot be read is left out with a problem in the report. Raises StoreChanged.
        """
        stored = StoredFlows(report)
        for file in files:
            try:
                yield from self._read(file, stored)
            except FileNotFoundError as error:
                raise StoreChanged(f"{self.location}/{file.target}") from error
            except FlowdiagError as error:
                report.problem(file.target, error.offset, error.what)
            except (pa.ArrowException, OSError) as error:
                report.problem(file.target, None, f"damaged Parquet ({str(error).splitlines()[0]})")

    def _read(self, file: StoredFile, stored: StoredFlows) -> Iterator[pa.RecordBatch]:
        with open_stored(self.backend, file) as octets:
            parquet = pq.ParquetFile(octets)
            metadata = parquet.metadata.metadata
            check_schema(parquet.schema_arrow, file.target)
            stored.add_metadata(metadata, file.target)
            for batch in parquet.iter_batches(BATCH_ROWS, use_threads=False):
                if batch.num_rows:
                    yield flow_batch(batch, metadata)


def day_date(day: int) -> date:
    """days since 1970 as a date."""
    return _EPOCH + timedelta(days=day)
