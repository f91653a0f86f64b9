"""A question about a long time of a store, answered from its roll-ups; flows are read for what sums cannot tell.

Facts the design follows:
- an answer by all flows is the better one, as long as it is quick: roll-ups answer where there is more to read than that;
- files without a sound roll-up are read whole: a few of them cost little, and where they are many everything is read, as
  if there were no roll-ups;
- each time that is looked at is asked like any other: its flows with some around them.
"""

from __future__ import annotations

import gc
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np
import pyarrow as pa
from msgspec import Struct
from msgspec.structs import replace

from flowdiag.aggregator.build import build_case_data
from flowdiag.aggregator.figures import Ranked
from flowdiag.aggregator.plan_rates import require_plan_rates
from flowdiag.aggregator.remark import remark
from flowdiag.aggregator.top_keys import Kind
from flowdiag.aggregator.top_ranking import Request
from flowdiag.collector.readers.inputs import is_store
from flowdiag.collector.report import ExportReport
from flowdiag.collector.span import Span
from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.long_time import with_parts
from flowdiag.durations import HOUR_MS, MINUTE_MS
from flowdiag.errors import UsageError
from flowdiag.query_plan import CHEAP_ROWS, known_span
from flowdiag.site.profile import Profile
from flowdiag.site.window import resolve_window

if TYPE_CHECKING:
    from flowdiag.collector.readers.stored_flows import StoredFlows
    from flowdiag.collector.store.backends import StorageBackend
    from flowdiag.collector.store.finding import StoredFile
    from flowdiag.collector.store.reading import StoreReader
    from flowdiag.rollup.overview import Overview
    from flowdiag.rollup.stored import Kept

# Octets of files of flows from which on roll-ups answer: some three hundred thousand records.
WORTH_OCTETS: Final = 8 << 20
# Of files without a sound roll-up, which are read besides: a million records.
MOST_OTHER_OCTETS: Final = 24 << 20
# Records that are read for a closer look: half a second, and 150 MB.
MOST_LOOKED_AT: Final = 450_000
# Figures of a shorter time are kept in shorter windows than minutes (aggregator/figure_windows.py).
LEAST_MS: Final = 2 * HOUR_MS
SHORTEST_MS: Final = HOUR_MS // 2
# Read beside each time.
AROUND_MS: Final = HOUR_MS
# Records of an export that are held in memory at once: 400 MB (long_exports.py).
MOST_AT_ONCE: Final = 2_200_000
RANKED_KINDS: Final[tuple[Kind, ...]] = ("talkers", "applications", "destinations")


class Effort(Struct, frozen=True):
    """How hard to look. worth_octets: of flows, for roll-ups to answer; looked_at: most records that are read for a
    closer look; beside: that are read beside a short time, for what happened around it and for comparison; at_once: records
    of a long export that are held at once; who: stand-ins for flows are needed, and a look at whatever may be found, else
    figures alone are."""

    worth_octets: int = WORTH_OCTETS
    looked_at: int = MOST_LOOKED_AT
    beside: int = CHEAP_ROWS
    at_once: int = MOST_AT_ONCE
    who: bool = True


ORDINARY: Final = Effort()


def long_case(
    paths: Sequence[str | Path],
    profile: Profile,
    window_from: str | None,
    window_to: str | None,
    reported: str | None = None,
    effort: Effort = ORDINARY,
) -> Case | None:
    """The case of a long time of one store; None where its flows answer better, and have to be read.

    window_from, window_to: with dates, as asked_times() gives them. Raises what reading a store raises, ProfileError.
    """
    if len(paths) != 1 or not is_store(paths[0]):
        return None
    # Loaded here since most exports are no stores, and Parquet takes a tenth of a second to load.
    from flowdiag.collector.store.opening import open_backend

    backend = open_backend(paths[0])
    with backend.reading():
        return _Asking(backend, profile, window_from, window_to).case(reported, effort)


class _Asking:
    """One question to a store, while nobody removes files from it."""

    def __init__(
        self, backend: StorageBackend, profile: Profile, window_from: str | None, window_to: str | None
    ) -> None:
        self._backend = backend
        self._profile = profile
        self._window = window_from, window_to
        self._exporters = profile.site.exporter_octets
        first_ms, self._last_ms = known_span(backend, self._exporters)
        self._asked_ms = resolve_window(*self._window, profile.site.timezone, first_ms, self._last_ms)
        begin, end = self._asked_ms
        self._span: Span = (None if window_from is None else begin, None if window_to is None else end)
        self._unusable: list[str] = []  # roll-ups that are not what was written
        self._kept: list[Kept] = []  # roll-ups of days whose flows are gone

    def case(self, reported: str | None, effort: Effort) -> Case | None:
        from flowdiag.rollup.looking import where_to_look
        from flowdiag.rollup.stored import days_gone

        files = self._files(effort)
        if files is None:
            return None
        # Before anything is held.
        rankings = self._rankings(self._asked_ms) if effort.who else {}
        over = self._overview(files, effort.who)
        if over is None:
            return None
        coverage, profile = over.coverage, self._profile
        require_plan_rates(profile, over.usage)
        window_ms = resolve_window(*self._window, profile.site.timezone, coverage.first_ms, coverage.last_ms)
        looks = where_to_look(
            over.carried,
            over.hours,
            coverage,
            profile,
            window_ms,
            effort.looked_at,
            figures=not effort.who,
            gone_days={one.day for one in self._kept},
            services=over.services,
        )
        hours = sum(end - begin for begin, end in looks.runs) / HOUR_MS
        said = [remark("rolled-up", looked_at=round(hours, 1), left=looks.left)]
        if self._unusable:
            damaged = sorted(set(self._unusable))
            said.append(remark("damaged-roll-ups", file=damaged[0], count=len(damaged)))
        if gone := days_gone(self._kept, window_ms):
            said.append(remark("flows-gone", days=gone))
        case = Case(
            profile=profile,
            flows=over.flows,
            usage=over.usage,
            coverage=replace(coverage, remarks=(*coverage.remarks, *said)),
            window_ms=window_ms,
            window_given=self._window != (None, None),
            reported=(reported or "").strip() or None,
            sums=over.carried,
            rankings=rankings,
        )
        return with_parts(case, tuple(self._part(case, run, looks.around_ms) for run in looks.runs))

    def _files(self, effort: Effort) -> list[StoredFile] | None:
        """The files of flows that may tell of the time asked about; None where they had better be read. Raises UsageError."""
        from flowdiag.collector.store.finding import find_files
        from flowdiag.collector.store.kept_rollups import find_kept_rollups

        files = find_files(self._backend, self._exporters, self._span)
        begin, end = self._asked_ms
        if not find_kept_rollups(self._backend, self._exporters, self._span, files):
            worth = sum(file.octets for file in files) >= effort.worth_octets and end - begin >= LEAST_MS
            return files if worth and _on_minutes(self._span, self._last_ms) else None
        if end - begin < SHORTEST_MS:
            raise UsageError(
                "the flows of this time are no longer in the store, and sums tell of half an hour at least",
                expected="a longer time",
            )
        return files

    def _overview(self, files: Sequence[StoredFile], who: bool) -> Overview | None:
        from flowdiag.collector.readers.stored_flows import StoredFlows
        from flowdiag.rollup.overview import OF_FIGURES, OF_WHO, NeedsWho, overview
        from flowdiag.rollup.stored import Kept, read_all_kept, read_rollups

        tables = OF_WHO if who else OF_FIGURES
        self._kept = read_all_kept(self._backend, self._exporters, self._span, files, tables, self._damaged)
        sound = [
            Kept(one.file.target, one.file.partition.day, one.rollup)
            for one in read_rollups(self._backend, files, tables, self._damaged)
            if one.rollup is not None and not one.rollup.facts.needs_flows
        ]
        known = {one.target for one in sound}
        others = [file for file in files if file.target not in known]
        if not self._kept and (not sound or sum(file.octets for file in others) > MOST_OTHER_OCTETS):
            return None
        report = ExportReport()
        stored = StoredFlows(report)
        told = [*self._kept, *sound]
        for one in told:
            stored.add_metadata(one.rollup.report, one.target)
        around = _around(self._span)
        flows = _counted(self._reader(report, around).read(others, stored), stored)
        try:
            return overview([one.rollup for one in told], flows, report, self._profile, around, who=who)
        except NeedsWho:
            return self._overview(files, True)

    def _rankings(self, window_ms: tuple[int, int]) -> dict[str, tuple[Ranked, ...]]:
        """Those of summaries, which are bounded for each kind of key; a kind that they cannot tell is missing."""
        from flowdiag.rollup.asking import LongQuestion, rank_store

        found: dict[str, tuple[Ranked, ...]] = {}
        for kind in RANKED_KINDS:
            request = Request(kind, window_from=self._window[0], window_to=self._window[1])
            question = LongQuestion(self._profile, request, window_ms, _around(window_ms))
            top = rank_store(self._backend, question, self._unusable)
            if top is not None:
                found[kind] = tuple(
                    Ranked(str(row.key), row.label, row.octets, row.packets, row.flows, row.share)
                    for row in top.whole.rows
                )
            del top
            gc.collect()  # passes over records refer to each other, and commands do not collect
            pa.default_memory_pool().release_unused()
        return found

    def _part(self, case: Case, run: tuple[int, int], around_ms: int) -> Case:
        """A time that is looked at in the flows, with some around it."""
        from flowdiag.collector.readers.stored_flows import StoredFlows
        from flowdiag.collector.store.finding import find_files

        report = ExportReport()
        span = (run[0] - around_ms, run[1] + around_ms)
        files = find_files(self._backend, self._exporters, span)
        stored = StoredFlows(report)
        batches = _counted(self._reader(report, span).read(files, stored), stored)
        flows, usage, coverage = build_case_data(batches, report, self._profile)
        pa.default_memory_pool().release_unused()
        known = {
            "resolution_s": case.coverage.resolution_s,
            "resolution_known": case.coverage.resolution_known,
        }
        return Case(
            profile=self._profile,
            flows=flows.at(np.arange(len(flows))),  # without the room that was made for more
            usage=usage,
            coverage=replace(coverage, **known),
            window_ms=run,
            whole_ms=case.window_ms,
            window_given=True,
            reported=case.reported,
        )

    def _reader(self, report: ExportReport, span: Span) -> StoreReader:
        from flowdiag.collector.store.reading import StoreReader

        return StoreReader(
            self._backend,
            lambda error: report.problem(str(error.file or ""), error.offset, error.what),
            span=span,
        )

    def _damaged(self, path: str, why: str) -> None:
        self._unusable.append(path)


def _counted(batches: Iterable[pa.RecordBatch], stored: StoredFlows) -> Iterator[pa.RecordBatch]:
    """The batches, whose rows are counted, since what was lost is told as a part of them."""
    for batch in batches:
        stored.add_rows(batch)
        yield batch


def _around(span: Span) -> Span:
    """A span with the time around it that tells how the exporter reports."""
    begin, end = span
    return (None if begin is None else begin - AROUND_MS, None if end is None else end + AROUND_MS)


def _on_minutes(span: Span, last_ms: int | None) -> bool:
    """Whether sums of minutes can tell of a span: its ends cut none in which there are flows."""
    begin, end = span
    if begin is not None and begin % MINUTE_MS:
        return False
    return end is None or not end % MINUTE_MS or (last_ms is not None and end > last_ms)
