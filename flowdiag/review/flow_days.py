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
from msgspec.structs import replace

from flowdiag.collector.readers.parquet import BATCH_ROWS, check_schema, flow_batch
from flowdiag.collector.readers.stored_flows import StoredFlows
from flowdiag.collector.report import ExportReport
from flowdiag.collector.span import Span
from flowdiag.collector.store.finding import StoredFile, find_files, open_stored
from flowdiag.collector.store.kept_rollups import KeptRollUp, find_kept_rollups
from flowdiag.collector.store.layout import NO_DAY, SUFFIX
from flowdiag.collector.store.opening import open_backend
from flowdiag.errors import FlowdiagError, StoreChanged
from flowdiag.review.rolled_days import NEEDED, RolledDay
from flowdiag.rollup.stored import read_kept, read_rollups
from flowdiag.text.wording import review_store as words

_EPOCH: Final = date(1970, 1, 1)


class FlowDay(Struct, frozen=True):
    """The files of a site's UTC day, in order of reading. day: days since 1970; kept: roll-ups of files that are gone because
    of their age; without: records that went without one.
    """

    day: int
    files: tuple[StoredFile, ...]
    kept: tuple[KeptRollUp, ...] = ()
    without: int = 0

    @property
    def names(self) -> list[str]:
        """What the day is known by: the same whether its flows are there still or gone."""
        targets = [file.target for file in self.files] + [kept.target for kept in self.kept]
        return sorted(target.removesuffix(SUFFIX) for target in targets)

    @property
    def exporters(self) -> set[bytes]:
        own = {file.partition.exporter for file in self.files}
        return own | {kept.partition.exporter for kept in self.kept}

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
        files = find_files(self.backend, exporters or None, span)
        found: dict[int, FlowDay] = {}
        # Flows without times tell nothing here.
        for day, own in groupby(
            sorted(files, key=lambda file: (file.partition.day, file.partition, file.target)),
            key=lambda file: file.partition.day,
        ):
            found[day] = FlowDay(day, tuple(own))
        for kept in find_kept_rollups(self.backend, exporters or None, span, files):
            before = found.get(kept.partition.day, FlowDay(kept.partition.day, ()))
            found[before.day] = replace(
                before, kept=(*before.kept, *kept.rollups), without=before.without + kept.without
            )
        return [day for number, day in sorted(found.items()) if number != NO_DAY]

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
                lambda path, why: faults.append(words.damaged(path, why)),
                NEEDED,
            )
            if rolled.rollup is None or rolled.rollup.facts.needs_flows:
                return None
            try:
                stored.add_metadata(rolled.rollup.report, file.target)
            except FlowdiagError as error:
                faults.append(words.damaged(file.target, error.what))
                return None
            found.append(rolled.rollup)
        for kept in day.kept:
            rollup = read_kept(
                self.backend, kept, NEEDED, lambda path, why: faults.append(words.lost(path, why)), NEEDED
            )
            if rollup is not None:
                stored.add_metadata(rollup.report, kept.target)
                found.append(rollup)
        return RolledDay(day.day, tuple(found), report, gone=bool(day.kept)) if found else None

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
