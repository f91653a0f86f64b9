"""Which finding is the verdict: the first kind, in a fixed order, that holds in the complaint's window.

The order puts what takes the line away before what fills it, and what fills it before what merely uses it.
Faults of keepalives and small leaks do not slow a working line: they are the verdict of an audit, where
nobody complained, but never of a complaint. Within a kind the finding wins that covers most of the window;
then a primary before a backup, the upload before the download (it hurts both ways), the earlier.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Final

from flowdiag.diagnoser import client_part
from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.finding import Finding, Verdict
from flowdiag.diagnoser.findings import cannot_tell, not_the_link
from flowdiag.durations import MINUTE_MS

Holds = Callable[[Case, Finding], bool]


def _always(case: Case, finding: Finding) -> bool:
    return True


def _fills_a_link(case: Case, finding: Finding) -> bool:
    return bool(finding.evidence.get("fills_link"))


def _matters(case: Case, finding: Finding) -> bool:
    """Whether a leak is large enough to be felt."""
    large = finding.evidence.get("leak_share", 0.0) >= case.profile.thresholds.leak_share
    return bool(large or finding.evidence.get("fills_backup"))


def _sustained(case: Case, finding: Finding) -> bool:
    """Whether it lasted long enough to explain more than a moment."""
    return not finding.evidence.get("short")


ORDER: Final[tuple[tuple[str, Holds], ...]] = (
    ("outage", _sustained),
    ("flapping", _always),
    ("on-backup", _always),
    ("inbound-flood", _always),
    ("outbound-scan", _fills_a_link),
    ("link-full", _sustained),
    ("below-plan", _always),
    ("backup-leak", _matters),
    ("link-busy", _always),
    ("unanswered-connections", _always),
    ("outbound-scan", _always),
)
# Only without a complaint: the gravest first.
AUDIT: Final[tuple[tuple[str, Holds], ...]] = (
    ("keepalive-missing", _always),
    ("keepalive-unanswered", _always),
    ("keepalive-excess", _always),
    ("backup-leak", _always),
)


def touches(case: Case, finding: Finding) -> bool:
    """Whether a finding lies at least partly in the complaint's window; one without times does."""
    if finding.start_ms is None or finding.end_ms is None:
        return True
    begin, end = case.window_ms
    return finding.start_ms < end and max(finding.end_ms, finding.start_ms + 1) > begin


def decide(case: Case, findings: Sequence[Finding]) -> Verdict:
    """findings: all of them; those outside the window cannot be the verdict."""
    inside = [finding for finding in findings if touches(case, finding)]
    order = ORDER + AUDIT if case.is_audit else ORDER
    for code, holds in order:
        same = [finding for finding in inside if finding.code == code and holds(case, finding)]
        if same:
            return _of(case, _foremost(case, same), same, inside)
    return cannot_tell.verdict(case) or not_the_link.verdict(case)


def _foremost(case: Case, same: Sequence[Finding]) -> Finding:
    begin, end = case.window_ms
    roles = {link.name: link.role for link in case.profile.link}

    def rank(finding: Finding) -> tuple[int, bool, bool, int]:
        start = begin if finding.start_ms is None else finding.start_ms
        stop = end if finding.end_ms is None else finding.end_ms
        overlap = min(stop, end) - max(start, begin)
        # Whole minutes, so that two of nearly the same length are told apart by what they are.
        return (
            -(overlap // MINUTE_MS),
            roles.get(finding.link or "") == "backup",
            finding.direction != "up",
            start,
        )

    return min(same, key=rank)


def _of(case: Case, finding: Finding, same: Sequence[Finding], inside: Sequence[Finding]) -> Verdict:
    sentence, also = client_part.told(case, finding, same, inside)
    return Verdict(
        code=finding.code,
        sentence=sentence,
        confidence=finding.confidence,
        finding=finding,
        reasons=(finding.summary, *finding.doubts),
        next_steps=finding.actions,
        also=also,
    )
