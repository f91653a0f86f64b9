"""The export does not cover the window well enough to say.

Means: an honest "we do not know". Saying that the line was fine would be a guess.

Decided: when nothing that explains the complaint was found and one of these holds: the window lies outside
the export; less than half of it is covered (silences of the exporter as for export-gap); nothing was
measured on any link of the profile; several links cannot be told apart because the records carry no
interface numbers; or the time looked at holds no three minutes and a line was at its limit, one way or the other, for
most of it, which is too short to tell a passing burst from a full line (see at_limit.py).

Thresholds: half of the window, half of the short time (by agreement on what "covered" and "most" mean, no
source).

Fooled by: a window given in the wrong time zone or on the wrong day lies outside the export.

Do: the helpdesk gets an export that covers the time, of some minutes at least; the engineer sees to it that
the router exports all its traffic with interface numbers.

Limits: none.
"""

from __future__ import annotations

from typing import Final

from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.finding import Verdict
from flowdiag.diagnoser.kind import Kind
from flowdiag.diagnoser.signals.at_limit import left_open, limited_ms
from flowdiag.diagnoser.signals.silences import covered
from flowdiag.text.action import Action
from flowdiag.text.sentences import verdict as wording
from flowdiag.text.sentences.all_clear import at_limit_reason

CODE: Final = "cannot-tell"

LEAST_COVERED: Final = 0.5


def verdict(case: Case) -> Verdict | None:
    """The verdict, or None where the export is good enough to say that the link was fine."""
    why = _why(case)
    if why is None:
        return None
    said, reason, next_steps = why
    # That something cannot be told is certain, unless what was seen points one way.
    return Verdict(
        code=CODE,
        sentence=wording.cannot_tell(case) + said,
        confidence="medium" if left_open(case) else "high",
        reasons=(reason,) if reason else (),
        next_steps=next_steps,
    )


def _why(case: Case) -> tuple[str, str, tuple[Action, ...]] | None:
    """What to tell the client, what to tell the engineer, and what to do."""
    coverage, (begin, end) = case.coverage, case.window_ms
    if not case.profile.link:
        return wording.NO_LINKS, "", wording.GET_AN_EXPORT
    if coverage.first_ms is None or coverage.last_ms is None or coverage.records == 0:
        return wording.NOTHING_READ, "", wording.GET_AN_EXPORT
    if end <= coverage.first_ms or begin > coverage.last_ms:
        return wording.OUTSIDE, wording.NOT_COVERED_REASON, wording.GET_AN_EXPORT
    if not coverage.links_apart:
        return wording.LINKS_NOT_APART, wording.LINKS_REASON, wording.EXPORT_INTERFACES
    if not (case.flows.link >= 0).any():
        return wording.NOTHING_ON_LINKS, wording.NOTHING_ON_LINKS_REASON, wording.CORRECT_INTERFACES
    part = covered(case)
    if part < LEAST_COVERED:
        return wording.too_little(part), wording.too_little_reason(part), wording.GET_AN_EXPORT
    if open_ends := left_open(case):
        reason = " ".join(at_limit_reason(case, limit) for limit in open_ends)
        return wording.too_short(case, open_ends, limited_ms(open_ends)), reason, wording.GET_AN_EXPORT
    return None


KIND: Final = Kind(
    code=CODE,
    page=19,
    means="From what was measured we would only be guessing, so we do not name a cause.",
    next_step="We get measurements that can tell, and look again.",
)
