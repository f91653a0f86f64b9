"""The logic behind `flowdiag top`: a ranking of an export in bounded memory.

The export is read once and reduced to compact records, which are put aside while it becomes known what counts on which
link; then they are passed over again (top_passes.py).
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final
from zoneinfo import ZoneInfo

import numpy as np
import pyarrow as pa
from msgspec.structs import replace

from flowdiag.aggregator.build import Counting, Reduction
from flowdiag.aggregator.coverage_notes import NO_OTHERS, Remarks, build_coverage, evidence_of, with_others
from flowdiag.aggregator.remark import Remark, remark
from flowdiag.aggregator.report_windows import without_flows
from flowdiag.aggregator.spool import spool
from flowdiag.aggregator.spread import WindowGrid
from flowdiag.aggregator.time_outliers import Span
from flowdiag.aggregator.top_passes import Passes, Seen
from flowdiag.aggregator.top_ranking import Request, Top
from flowdiag.aggregator.top_sums import Sums
from flowdiag.collector.report import ExportReport
from flowdiag.durations import MINUTE_MS
from flowdiag.site.profile import MAX_MBPS, Link, Profile, Site
from flowdiag.site.window import resolve_window

# Without a profile: private networks are inside, and there is one link, whose interfaces are not known.
ANY_SITE: Final = Profile(
    site=Site(name="export"),
    link=[Link(name="all", interfaces=[], down_mbps=MAX_MBPS, up_mbps=MAX_MBPS, framing="ip")],
)


def rank_batches(
    batches: Iterable[pa.RecordBatch],
    report: ExportReport,
    profile: Profile | None,
    request: Request,
    sums: Sums | None = None,
) -> Top:
    """Ranks batches of FLOW_SCHEMA; report: complete once they are exhausted. profile None: ANY_SITE, and local traffic counts
    too. sums: of flows that are not in the batches. Raises UsageError for a window that cannot be, and NeedsFlows where
    the sums cannot tell."""
    site = profile or ANY_SITE
    reduction = Reduction(site)
    span = Span()
    if sums is not None:
        sums.begin(reduction)
    with spool() as records:
        for batch in batches:
            piece = reduction.add(batch)
            if len(piece):
                span.add(piece.source, piece.start_ms, piece.end_ms)
                records.append(piece)
        if sums is not None:
            sums.learn(reduction, span)
        counting = reduction.settle(report, records)
        first_ms, last_ms = span.settle(counting.shift_ms)
        window_ms = resolve_window(
            request.window_from, request.window_to, site.site.timezone, first_ms, last_ms
        )
        local_too = profile is None or not counting.decisions.links_apart
        passes = Passes(site, request, window_ms, records, counting, sums, local_too=local_too)
        top = passes.top()
    remarks = _remarks(report, site, reduction, counting, passes.seen, span, sums)
    if not top.whole.total_flows:
        remarks = (without_flows(first_ms, last_ms, ZoneInfo(site.site.timezone)), *remarks)
    return replace(top, remarks=remarks)


def _remarks(
    report: ExportReport,
    profile: Profile,
    reduction: Reduction,
    counting: Counting,
    seen: Seen,
    span: Span,
    sums: Sums | None,
) -> tuple[Remark, ...]:
    """What bounds the figures."""
    remarks = Remarks(
        reduction.left_out,
        counting.decisions,
        reduction.tally,
        seen.duplicates,
        seen.moved_starts,
        span.outliers,
        reduction.interner,
        counting.translations,
    )
    more, more_seen = (0.0, 0.0) if sums is None else sums.packets
    nowhere = WindowGrid(0, MINUTE_MS, 1)  # when the exporter was heard is not asked
    evidence = evidence_of(seen.sample, np.zeros(0, np.int64), nowhere)
    coverage = build_coverage(
        seen.sample,
        report,
        profile,
        remarks,
        counting.clocks,
        with_others(
            replace(evidence, packets=(seen.packets + more, seen.packets_seen + more_seen)),
            NO_OTHERS if sums is None else sums.durations,
        ),
    )
    return coverage.remarks if sums is None else (*coverage.remarks, remark("no-peaks"))
