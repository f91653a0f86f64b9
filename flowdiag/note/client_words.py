"""Which words the client's part takes, by verdict: what it means, and what we do next."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from flowdiag.diagnoser.finding import Verdict
from flowdiag.diagnoser.kinds import kind_of
from flowdiag.text.sentences.beyond import ELSEWHERE
from flowdiag.text.sentences.verdict import TEST_THE_RATE
from flowdiag.text.wording import note as wording

# Findings that concern the client although they do not slow a working main line.
WORTH_NOTICING: Final = (
    "keepalive-missing",
    "keepalive-unanswered",
    "keepalive-excess",
    "backup-leak",
)

# Verdicts that speak of the backup, or of an attack, beside which it is no matter.
ABOUT_THE_BACKUP: Final = (*WORTH_NOTICING, "on-backup", "flapping", "inbound-flood", "outbound-scan")

# Verdicts of a site that is on one of its backups.
ON_A_BACKUP: Final = ("on-backup", "flapping")


def means(verdict: Verdict, *, audit: bool, variable: bool) -> str:
    """audit: nobody complained; variable: the rate of the verdict's link is only typical."""
    if verdict.code == "not-the-link" and verdict.room != "enough":
        return wording.MEANS_WITH_LESS_ROOM[verdict.room]
    if _is_over_plan(verdict):
        return wording.MEANS_OFFERED if "maybe_offered" in _evidence(verdict) else wording.MEANS_OVER_PLAN
    if verdict.code == "not-the-link" and verdict.confidence != "high":
        return wording.MEANS_LESS_SURE
    kind = kind_of(verdict.code)
    special = (variable and kind.means_variable) or (audit and kind.means_in_audit)
    return special or kind.means or wording.MEANS_OTHERWISE


def _is_over_plan(verdict: Verdict) -> bool:
    return "over_plan" in _evidence(verdict)


def _evidence(verdict: Verdict) -> Mapping[str, Any]:
    return verdict.finding.evidence if verdict.finding is not None else {}


def next_step(verdict: Verdict, *, audit: bool, variable: bool) -> tuple[str, ...]:
    """What we do, then what the client can do; one of them is enough."""
    kind = kind_of(verdict.code)
    if audit and kind.next_step_in_audit:
        return (kind.next_step_in_audit if verdict.room == "enough" else wording.WE_IN_AUDIT_AT_LIMIT,)
    if _is_over_plan(verdict):
        return (wording.WE_OFFERED if "maybe_offered" in _evidence(verdict) else wording.WE_OVER_PLAN,)
    ours = (variable and kind.next_step_variable) or kind.next_step
    steps = [ours] if ours else []
    if verdict.code == "not-the-link" and set(TEST_THE_RATE) <= set(verdict.next_steps):
        steps = [wording.WE_TEST_THE_RATE]
    if verdict.code == "not-the-link" and set(ELSEWHERE[1:]) <= set(verdict.next_steps):
        steps = [kind_of("unanswered-connections").next_step]
    steps += [action.text for action in verdict.next_steps if action.who == "client"][:1]
    return tuple(steps) or (wording.WE_OTHERWISE,)


def besides_step(code: str) -> str:
    """What happens next about it; code: one of WORTH_NOTICING."""
    return kind_of(code).next_step
