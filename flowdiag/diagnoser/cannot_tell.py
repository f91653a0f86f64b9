"""The export does not cover the window well enough to say.

Means: an honest "we do not know". Saying that the line was fine would be a guess.

Decided: when nothing that explains the complaint was found and one of these holds: the window lies outside
the export; less than half of it is covered (silences of the exporter as for export-gap); nothing was
measured on any link of the profile; or several links cannot be told apart because the records carry no
interface numbers.

Thresholds: half of the window (by agreement on what "covered" means, no source).

Fooled by: a window given in the wrong time zone or on the wrong day lies outside the export.

Do: the helpdesk gets an export that covers the time; the engineer sees to it that the router exports all
its traffic with interface numbers.

Limits: none.
"""

from __future__ import annotations

from typing import Final

from flowdiag.diagnoser import wording_verdict as words
from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.finding import Verdict
from flowdiag.diagnoser.silences import covered

CODE: Final = "cannot-tell"

LEAST_COVERED: Final = 0.5


def verdict(case: Case) -> Verdict | None:
    """The verdict, or None where the export is good enough to say that the link was fine."""
    why = _why(case)
    if why is None:
        return None
    said, reason = why
    return Verdict(
        code=CODE,
        sentence=words.CANNOT_TELL + said,
        confidence="high",
        reasons=(reason,) if reason else (),
        next_steps=words.GET_AN_EXPORT,
    )


def _why(case: Case) -> tuple[str, str] | None:
    """What to tell the client, and the engineer."""
    coverage, (begin, end) = case.coverage, case.window_ms
    if not case.profile.link:
        return words.NO_LINKS, ""
    if coverage.first_ms is None or coverage.last_ms is None or coverage.records == 0:
        return words.NOTHING_READ, ""
    if end <= coverage.first_ms or begin > coverage.last_ms:
        return words.OUTSIDE, words.NOT_COVERED_REASON
    if not coverage.links_apart:
        return words.LINKS_NOT_APART, words.LINKS_REASON
    if not (case.flows.link >= 0).any():
        return words.NOTHING_ON_LINKS, words.NOTHING_ON_LINKS_REASON
    part = covered(case)
    if part < LEAST_COVERED:
        return words.too_little(part), words.too_little_reason(part)
    return None
