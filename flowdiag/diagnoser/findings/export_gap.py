"""Part of the window has no records, or records were lost, so that figures are lower bounds.

Means: what was measured is sound, but it is not all. A quiet line in the missing part proves nothing.

Decided: a minute is covered when the exporter gave any sign of life in it: a message, or a record whose
time covers it. A silence counts from three minutes on, and only when the exporter's own habit on both sides
makes it improbable (see silences.py); a window that reaches beyond the export is silent there. Lost records
are counted by the sequence numbers of each protocol; NetFlow v9 counts messages, so there lost records are
lost messages times the mean number of records in one. Records that were lost in a silence are told with it.
An exporter that restarts loses what it had in its cache: the time from the last record that it had exported to the first
one after is a gap, however short.
A silence outside the working hours of the profile after which no record is missing, and without a restart, is an info,
however long.

Thresholds: gap, 0.05: from that part of the window or of the records on it is a warning, under it an info
(common practice, no source). Three minutes at least, one in ten thousand by chance.

Fooled by: an exporter that restarts begins to count anew, which is recognised by its uptime or its numbers. A quiet
site at night is not silent when its router repeats its templates; where it does not, long pauses are its habit.

Do: the engineer checks the exporter, the path to the collector, and the collector for drops.

Limits: nothing says what ran in the missing part. The silence of the exporter is never an outage by itself.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Annotated, Final

import numpy as np

from flowdiag.collector.report import LossEvent
from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.evidence import ABSENT, Evidence, Key, Spells, iso_spans
from flowdiag.diagnoser.finding import Finding, Severity
from flowdiag.diagnoser.kind import Kind
from flowdiag.diagnoser.signals.losses import NOTICED_MS, records_in_window
from flowdiag.diagnoser.signals.silences import Silence, silences
from flowdiag.durations import DAY_MS, MINUTE_MS
from flowdiag.site.hours import parse_hours
from flowdiag.text.sentences import actions as actions
from flowdiag.text.sentences import verdict as wording_verdict

CODE: Final = "export-gap"


@dataclass(frozen=True, eq=False)
class ExportGap(Evidence):
    restarted: Annotated[
        bool, Key("the exporter was started anew, and its open records went with it", "restarted")
    ] = ABSENT
    silent_minutes: Annotated[float, Key("how long nothing was heard", "silent")] = ABSENT
    share_of_window: Annotated[float, Key("part of the time asked about", "share of the time looked at")] = (
        ABSENT
    )
    lost_records: Annotated[int, Key("records that never came", "records lost", zero=False)] = ABSENT
    lost_percent: Annotated[float, Key("their part of all records of that time", "lost")] = ABSENT
    estimated: Annotated[
        bool, Key("whether they were worked out from lost messages", "estimated from lost messages")
    ] = ABSENT
    spells: Spells = ABSENT


# Has every hour of the week at least once, also where the clocks are put forward meanwhile.
ALL_HOURS_MS: Final = 15 * DAY_MS
# More silences than a person reads are one finding.
MOST_FINDINGS: Final = 5


def find(case: Case) -> list[Finding]:
    begin, end = case.window_ms
    found: list[Finding] = []
    gaps = silences(case)
    near = [gap for gap in gaps if gap.within(begin, end)]
    far = [gap for gap in gaps if not gap.within(begin, end)]
    losses = list(case.coverage.losses)
    for group in (near, far):
        groups = [[gap] for gap in group] if len(group) <= MOST_FINDINGS else [group]
        missing = sum(gap.within(begin, end) for gap in group) / max(end - begin, 1)
        severity = _severity(case, missing)
        for parts in groups:
            lost = sum(event.records for event in losses if _noticed(event, parts))
            losses = [event for event in losses if not _noticed(event, parts)]
            restarted = any(gap.within(*time) for gap in parts for time in case.coverage.restarts)
            quiet = not restarted and lost == 0 and all(_outside_hours(case, gap) for gap in parts)
            found.append(_silence(case, parts, "info" if quiet else severity, lost, restarted=restarted))
    found += [
        _restart(case, start, end)
        for start, end in case.coverage.restarts
        if not any(gap.within(start, end) for gap in gaps)
    ]
    found += _loss(case, losses)
    return found


def _restart(case: Case, start: int, end: int) -> Finding:
    """A gap too short for a silence, that a restart of the exporter proves."""
    begin, stop = case.window_ms
    share = max(min(end, stop) - max(start, begin), 0) / max(stop - begin, 1)
    summary, client = wording_verdict.restart(case, start, end)
    return Finding(
        code=CODE,
        severity=_severity(case, share),
        confidence="high",
        summary=summary,
        client=client,
        start_ms=start,
        end_ms=end,
        evidence=ExportGap(
            restarted=True,
            silent_minutes=round((end - start) / MINUTE_MS, 2),
            share_of_window=round(share, 4),
        ),
        actions=actions.GAP,
    )


def _severity(case: Case, share: float) -> Severity:
    return "warning" if share >= case.profile.thresholds.gap else "info"


def _outside_hours(case: Case, gap: Silence) -> bool:
    """Whether nobody was at work: then a router may have had nothing to tell."""
    if case.profile.site.hours is None:
        return False
    end_ms = min(gap.end_ms, gap.start_ms + ALL_HOURS_MS)
    minutes = np.arange(gap.start_ms // MINUTE_MS, -(-end_ms // MINUTE_MS))
    return not parse_hours(case.profile.site.hours).is_open(minutes, case.profile.site.timezone).any()


def _noticed(event: LossEvent, gaps: Sequence[Silence]) -> bool:
    return any(gap.start_ms <= event.time_ms <= gap.end_ms + NOTICED_MS for gap in gaps)


def _silence(
    case: Case, parts: Sequence[Silence], severity: Severity, lost: int, *, restarted: bool
) -> Finding:
    begin, end = case.window_ms
    share = sum(gap.within(begin, end) for gap in parts) / max(end - begin, 1)
    spans = [(gap.start_ms, gap.end_ms) for gap in parts]
    summary, client = wording_verdict.silence(case, spans, share, lost, restarted=restarted)
    evidence = ExportGap(
        restarted=True if restarted else ABSENT,
        silent_minutes=round(sum(b - a for a, b in spans) / MINUTE_MS, 1),
        share_of_window=round(share, 4),
        lost_records=lost,
        spells=iso_spans(case, spans) if len(spans) > 1 else ABSENT,
    )
    return Finding(
        code=CODE,
        severity=severity,
        confidence="high",
        summary=summary,
        client=client,
        start_ms=spans[0][0],
        end_ms=spans[-1][1],
        evidence=evidence,
        actions=actions.GAP,
    )


def _loss(case: Case, losses: Sequence[LossEvent]) -> list[Finding]:
    """What was lost in the window while the exporter was heard; where no event is known, over the whole export."""
    coverage, (begin, end) = case.coverage, case.window_ms
    within = [event for event in losses if begin <= event.time_ms < end + NOTICED_MS]
    lost = sum(event.records for event in within)
    if not coverage.losses:
        lost = coverage.lost_records
    if lost <= 0:
        return []
    share = lost / (lost + records_in_window(case))
    times = [event.time_ms for event in within]
    start, stop = (min(times), max(times)) if times else (begin, end)
    window = case.usage.window_ms
    start, stop = start // window * window, -(-(stop + 1) // window) * window
    summary, client = wording_verdict.loss(case, lost, share, coverage.lost_is_estimate)
    return [
        Finding(
            code=CODE,
            severity=_severity(case, share),
            confidence="medium" if coverage.lost_is_estimate else "high",
            summary=summary,
            client=client,
            start_ms=start,
            end_ms=stop,
            evidence=ExportGap(
                lost_records=lost,
                lost_percent=round(100.0 * share, 2),
                estimated=coverage.lost_is_estimate,
            ),
            actions=actions.GAP,
        )
    ]


KIND: Final = Kind(
    code=CODE,
    page=17,
    find=find,
    evidence=ExportGap,
)
