"""A ranking of a store over a long window: summaries for whole hours within it, flows for the rest."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from zoneinfo import ZoneInfo

import numpy as np
import pyarrow as pa
from msgspec import Struct
from msgspec.structs import replace
from numpy.typing import NDArray

from flowdiag.aggregator.remark import remark
from flowdiag.aggregator.report_windows import report_windows
from flowdiag.aggregator.top import ANY_SITE, rank_batches
from flowdiag.aggregator.top_ranking import Request, Top
from flowdiag.aggregator.top_sums import NeedsFlows
from flowdiag.buffers import column, fill_null, nulls
from flowdiag.collector.readers.inputs import Progress
from flowdiag.collector.readers.stored_flows import StoredFlows
from flowdiag.collector.report import ExportReport
from flowdiag.collector.span import Span
from flowdiag.collector.store.backends import StorageBackend
from flowdiag.collector.store.finding import StoredFile, find_files
from flowdiag.collector.store.reading import StoreReader
from flowdiag.durations import HOUR_MS
from flowdiag.errors import ExportError
from flowdiag.rollup.hours import Hours, whole_hours
from flowdiag.rollup.ranking import RolledSums, tables_for
from flowdiag.rollup.shape import RollUp
from flowdiag.rollup.stored import days_gone, read_all_kept, read_rollups
from flowdiag.site.profile import Profile


class LongQuestion(Struct, frozen=True):
    """window_ms: what is ranked, [from, to); span: what would be read of its flows."""

    profile: Profile | None
    request: Request
    window_ms: tuple[int, int]
    span: Span

    @property
    def site(self) -> Profile:
        return self.profile or ANY_SITE

    @property
    def windows(self) -> list[tuple[int, int]]:
        """Those of which each has a ranking of its own, or the one of all."""
        step_ms = self.request.step_ms
        if step_ms is None:
            return [self.window_ms]
        begin, end = self.window_ms
        grid = report_windows(self.window_ms, step_ms, ZoneInfo(self.site.site.timezone), self.request.asked)
        edges = np.clip(grid.edges(), begin, end).tolist()
        return list(zip(edges[:-1], edges[1:], strict=True))


def rank_store(
    backend: StorageBackend, question: LongQuestion, damaged: list[str], progress: Progress | None = None
) -> Top | None:
    """The ranking; None where all of it has to be read from flows. damaged: takes the names of damaged roll-ups.

    Raises StoreError, StoreChanged.
    """
    site = question.site
    with backend.reading():
        files = find_files(backend, site.site.exporter_octets, question.span)
        tables = tables_for(question.request.kind)
        rolled = read_rollups(backend, files, tables, lambda path, why: damaged.append(path))
        usable = {
            one.file.target: one.rollup
            for one in rolled
            if one.rollup is not None and not one.rollup.facts.needs_flows
        }
        kept = read_all_kept(
            backend,
            site.site.exporter_octets,
            question.span,
            files,
            tables,
            lambda path, why: damaged.append(path),
        )
        usable |= {one.target: one.rollup for one in kept}
        # Where the flows of a time are gone, those at its ends cannot be read either.
        longest_ms = 0 if kept else max((one.facts.longest_ms for one in usable.values()), default=0)
        hours = whole_hours(question.windows, longest_ms)
        if not usable or not len(hours):
            return None
        sums = RolledSums(
            list(usable.values()), hours, site, question.request, local_too=question.profile is None
        )
        reading = _Reading(backend, question, sums, progress)
        for one in kept:
            reading.tell(one.target, one.rollup)
        batches = reading.batches(files, usable)
        try:
            top = rank_batches(batches, reading.report, question.profile, question.request, sums)
        except NeedsFlows:
            return None
    if kept:
        said = remark("flows-gone", days=days_gone(kept, question.window_ms))
        return replace(top, remarks=(*top.remarks, said))
    # The flows of the store's last days may tell another end than their files.
    return top if top.whole.window_ms == question.window_ms else None


class _Reading:
    """The flows that summaries do not stand for. report: of all files, complete when all flows were read."""

    def __init__(
        self, backend: StorageBackend, question: LongQuestion, sums: RolledSums, progress: Progress | None
    ) -> None:
        self.report = ExportReport()
        self._backend = backend
        self._question = question
        self._sums = sums
        self._progress = progress
        self._stored = StoredFlows(self.report)
        self._reader = StoreReader(backend, self._left_out, span=question.span)

    def batches(self, files: Sequence[StoredFile], rollups: dict[str, RollUp]) -> Iterator[pa.RecordBatch]:
        """rollups: of those files whose summaries are used, by their path."""
        octets = sum(file.octets for file in files)
        done = 0
        for file in files:
            rollup = rollups.get(file.target)
            yield from self._whole(file) if rollup is None else self._beside(file, rollup)
            done += file.octets
            if self._progress is not None:
                self._progress(done, octets)

    def tell(self, target: str, rollup: RollUp) -> None:
        """Takes what a roll-up says of its flows into the report."""
        self._stored.add_metadata(rollup.report, f"{self._backend.name}/{target}")

    def _whole(self, file: StoredFile) -> Iterator[pa.RecordBatch]:
        for batch in self._reader.read([file], self._stored):
            if batch.num_rows:
                self._stored.add_rows(batch)
                yield batch

    def _beside(self, file: StoredFile, rollup: RollUp) -> Iterator[pa.RecordBatch]:
        """The flows of a file that ended in none of the hours."""
        spans = self._spans(rollup)
        if not spans:
            self.tell(file.target, rollup)
            return
        for batch in self._reader.read([file], self._stored, spans):
            kept = batch.filter(column(_not_summed_up(batch, self._sums.hours)))
            if kept.num_rows:
                self._stored.add_rows(kept)
                yield kept

    def _spans(self, rollup: RollUp) -> list[Span]:
        """The times that are asked about, in none of the hours, and in which the file has flows."""
        begin, end = self._question.window_ms
        low, high = self._question.span
        first, last = rollup.facts.first_ms, rollup.facts.last_ms
        beside = self._sums.hours.beside(begin if low is None else low, end if high is None else high)
        if first is None or last is None:
            return []
        return [part for part in beside if first < part[1] and last >= part[0]]

    def _left_out(self, error: ExportError) -> None:
        self.report.problem(error.file or "", error.offset, f"left out: {error.what}")


def _not_summed_up(batch: pa.RecordBatch, hours: Hours) -> NDArray[np.bool_]:
    """Which records are in no hour's summaries, of a file that has them: those of no IP are counted there as a whole."""
    ends = fill_null(batch["end"], -1, stored=np.int64)
    ends = np.where(nulls(batch["end"]), fill_null(batch["start"], -1, stored=np.int64), ends)
    no_ip = nulls(batch["src_address"]) & nulls(batch["dst_address"])
    no_ip &= fill_null(batch["octets"], 0, np.float64) == 0
    kept: NDArray[np.bool_] = ~(hours.has(ends // HOUR_MS) | no_ip)
    return kept
