"""Which finding is the verdict: the first kind, in a fixed order, that holds in the complaint's window.

The order (Kind.ranks of each) puts what takes the line away before what fills it, and what fills it before what merely uses it.
Faults of keepalives and small leaks do not slow a working line: they are the verdict of an audit, where
nobody complained, but never of a complaint. Within a kind the finding wins that covers most of the window;
then a primary before a backup, the upload before the download (it hurts both ways), the earlier.
"""

from __future__ import annotations

from collections.abc import Sequence

from flowdiag.diagnoser import client_part
from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.finding import Finding, Verdict
from flowdiag.diagnoser.findings import cannot_tell, not_the_link
from flowdiag.diagnoser.kinds import ORDER
from flowdiag.durations import MINUTE_MS


def touches(case: Case, finding: Finding) -> bool:
    """Whether a finding lies at least partly in the complaint's window; one without times does."""
    if finding.start_ms is None or finding.end_ms is None:
        return True
    begin, end = case.window_ms
    return finding.start_ms < end and max(finding.end_ms, finding.start_ms + 1) > begin


def decide(case: Case, findings: Sequence[Finding]) -> Verdict:
    """findings: all of them; those outside the window cannot be the verdict."""
    inside = [finding for finding in findings if touches(case, finding)]
    for rank, kind in ORDER:
        if rank.audit and not case.is_audit:
            continue
        same = [finding for finding in inside if finding.code == kind.code and rank.holds(case, finding)]
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
    sentence, also = client_part.client_sentences(case, finding, same, inside)
    return Verdict(
        code=finding.code,
        sentence=sentence,
        confidence=finding.confidence,
        finding=finding,
        reasons=(finding.summary, *finding.doubts),
        next_steps=finding.actions,
        also=also,
    )
