"""The findings of a long time: those of the times that were looked at in the flows, and what sums tell of the rest.

Facts the design follows:
- what is seen in flows alone (attempts, floods, levels, switches between links to the second) is found in the parts; what adds
  up over all of the time (a leak's volume, a host's share, gaps of the export) is found in the whole;
- an hour that was worth a look but is in no part has its sums and stand-ins: what was full, busy, on the backup or without
  keepalives for long shows in them to the minute.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from msgspec.structs import replace

from flowdiag.aggregator.build import together
from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.finding import Finding
from flowdiag.diagnoser.kind import Kind
from flowdiag.diagnoser.kinds import KINDS
from flowdiag.durations import HOUR_MS, Span

# Of the whole: they add up, or are told by the reports of all files.
OF_THE_WHOLE: Final = frozenset(
    {
        "link-full", "link-busy", "export-gap", "single-host", "backup-leak", "keepalive-excess", "keepalive-irregular",
        "asymmetric-path",
    }
)  # fmt: skip
# Of the whole as well, where no part covers them.
BY_SUMS: Final = frozenset({"on-backup", "flapping", "keepalive-missing", "keepalive-unanswered"})


def long_time_findings(case: Case) -> list[Finding]:
    """The findings of a case with sums and parts."""
    of_parts = [
        finding
        for part in case.parts
        for kind in KINDS
        if kind.find is not None and kind.code not in OF_THE_WHOLE
        for finding in kind.find(part)
        if _begins_in(part, finding)
    ]
    by_sums = [
        finding
        for kind in KINDS
        for finding in _found(kind, case)
        if kind.code in OF_THE_WHOLE or not _looked_at(case, finding)
    ]
    return [
        finding for finding in of_parts if not any(_is_part_of(finding, whole) for whole in by_sums)
    ] + by_sums


def _found(kind: Kind, case: Case) -> list[Finding]:
    if kind.find is None or kind.code not in OF_THE_WHOLE | BY_SUMS:
        return []
    return list(kind.find(case))


def _span(finding: Finding) -> Span | None:
    """[from, to) of a finding; None for one that is of all of the time."""
    if finding.start_ms is None or finding.end_ms is None:
        return None
    return finding.start_ms, max(finding.end_ms, finding.start_ms + 1)


def _begins_in(part: Case, finding: Finding) -> bool:
    """Whether a finding is of the time of a part, and not of what was read beside it."""
    span = _span(finding)
    return span is None or (span[0] < part.window_ms[1] and span[1] > part.window_ms[0])


def _looked_at(case: Case, finding: Finding) -> bool:
    """Whether a finding lies in the parts: these tell it better, or rule it out."""
    span = _span(finding)
    if span is None:
        return bool(case.parts)
    return any(part.window_ms[0] <= span[0] and span[1] <= part.window_ms[1] for part in case.parts)


def _is_part_of(finding: Finding, whole: Finding) -> bool:
    """Whether what a part shows is a piece of something longer that sums tell."""
    if (finding.code, finding.link, finding.direction) != (whole.code, whole.link, whole.direction):
        return False
    piece, all_of_it = _span(finding), _span(whole)
    if piece is None or all_of_it is None:
        return True
    longer = (all_of_it[1] - all_of_it[0]) - (piece[1] - piece[0])
    return all_of_it[0] < piece[1] and piece[0] < all_of_it[1] and longer >= HOUR_MS


def with_parts(case: Case, parts: tuple[Case, ...]) -> Case:
    """The case of a long time with the times that were looked at: in these its flows are those that were exported, and they
    tell of restarts."""
    kept = [
        gap
        for gap in case.coverage.restarts
        if not any(part.window_ms[0] <= gap[0] and gap[1] <= part.window_ms[1] for part in parts)
    ]
    restarts = sorted({*kept, *(gap for part in parts for gap in part.coverage.restarts)})
    own = np.ones(len(case.flows), np.bool_)
    read = []
    for part in parts:
        # A stand-in is of the flows that ended in its hour.
        begin, end = part.window_ms[0] // HOUR_MS * HOUR_MS, -(-part.window_ms[1] // HOUR_MS) * HOUR_MS
        own &= (case.flows.end_ms < begin) | (case.flows.end_ms >= end)
        ended = (part.flows.end_ms >= begin) & (part.flows.end_ms < end)
        read.append(part.flows.at(np.flatnonzero(ended)))
    return replace(
        case,
        flows=together([case.flows.at(np.flatnonzero(own)), *read]),
        parts=parts,
        coverage=replace(case.coverage, restarts=tuple(restarts)),
    )
