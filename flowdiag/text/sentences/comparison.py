"""What a comparison of two times says, for an engineer. Ready for translation."""

from __future__ import annotations

from typing import Final

from flowdiag.durations import Span
from flowdiag.text.asked import Asked
from flowdiag.text.clock import duration
from flowdiag.text.figures import count, percent, rate, volume
from flowdiag.text.sentences.links import called
from flowdiag.text.sentences.load import WAYS
from flowdiag.text.sentences.seen import Explanation, Shift, Shifts, Side, Verdict
from flowdiag.text.sentences.times import site_clock, span, spells

ASKED: Final = "the time asked about"
OTHER: Final = "the other time"

# Verdicts that are about more than how full a link was: what was so then. A fault of the backup's test slows nobody.
MORE_THAN_LOAD: Final = {
    "outage": "no link carried anything",
    "flapping": "the main line came and went",
    "on-backup": "the site was on its backup",
    "inbound-flood": "packets of many sources flooded one address",
    "outbound-scan": "a device tried very many addresses",
    "below-plan": "traffic stopped at a level under the plan",
    "backup-leak": "ordinary traffic ran over the backup",
    "unanswered-connections": "many connections got no answer",
}
_LEVELS: Final = ("", "busy", "full")  # by compared.CALM, BUSY, FULL
# Under that part of what was there the other time it "came on top", the other way round it "was missing".
_NEXT_TO_NOTHING: Final = 0.1
_WEEK: Final = 7


def kind(verdict: Verdict) -> str | None:
    """What a verdict says beyond load; None where that is nothing."""
    return MORE_THAN_LOAD.get(verdict.code)


def sentence(
    ours: Side, theirs: Side, link: int, direction: int, told: Shifts | None, *, differs: bool
) -> str:
    """What differs, and what made it so. told: where the volumes differ enough to ask."""
    subject = f"the {WAYS[direction]} of {called(ours.case.profile.link[link].name)}"
    said = f"{_clause(ours, subject)}; {_when(ours.case, theirs.case)} {_beside(ours, theirs, subject)}"
    if not differs:
        return f"No difference that counts: {said}."
    cause = "" if told is None else f": {_cause(told, ours.case.window_ms, theirs.case.window_ms)}"
    return f"{said[0].upper()}{said[1:]}{cause}."


def _clause(side: Side, subject: str) -> str:
    more = kind(side.verdict)
    if more is not None:
        return f"{_lasting(side)} {more}"
    return _load(side, subject)


def _lasting(side: Side) -> str:
    """When the verdict's finding was, in the window."""
    finding, (begin, end) = side.verdict.finding, side.case.window_ms
    first, past = (finding.start_ms, finding.end_ms) if finding is not None else (None, None)
    return span(
        side.case, begin if first is None else max(first, begin), end if past is None else min(past, end)
    )


def _load(side: Side, subject: str) -> str:
    load = side.load
    if load.spans:
        return f"{spells(side.case, load.spans)} {subject} was {_LEVELS[load.level]}"
    return f"{subject} peaked at {percent(load.peak_share)} of its plan"


def _beside(ours: Side, theirs: Side, subject: str) -> str:
    """The other time, after the clause of the time asked about."""
    here, there, load = kind(ours.verdict), kind(theirs.verdict), theirs.load
    if there is not None:
        return f"too, {_lasting(theirs)}" if here == there else _clause(theirs, subject)
    if here is not None:
        return f"that was not so{f', but {_load(theirs, subject)}' if load.spans else ''}"
    if load.spans:
        too = " too" if load.level == ours.load.level else ""
        when = "all the time" if load.spans == (theirs.case.window_ms,) else spells(theirs.case, load.spans)
        return f"it was {_LEVELS[load.level]}{too} {when}"
    return f"it peaked at {percent(load.peak_share)}{' of its plan' if ours.load.spans else ''}"


def _when(ours: Asked, theirs: Asked) -> str:
    """ "the same time a week before"; where it is another time of day, which."""
    clock = site_clock(ours)
    here, there = (clock.local(case.window_ms[0]) for case in (ours, theirs))
    days = (here.date() - there.date()).days
    if here.time() != there.time() or not days:
        begin, end = theirs.window_ms
        return f"on {clock.span(begin, end, day=True)}" if days else span(theirs, begin, end)
    side = "before" if days > 0 else "after"
    far = abs(days)
    if far == 1:
        return f"the same time the day {side}"
    if far % _WEEK:
        return f"the same time {count(far, 'day')} {side}"
    return f"the same time {'a week' if far == _WEEK else count(far // _WEEK, 'week')} {side}"


def _cause(told: Shifts, ours_ms: Span, theirs_ms: Span) -> str:
    found = told.explanation
    if found is None:
        return "no one destination, device or application makes up half of the difference"
    return f"{_named(found)} {_moved(found, ours_ms[1] - ours_ms[0], theirs_ms[1] - theirs_ms[0])}"


def _named(found: Explanation) -> str:
    """ "https of 192.168.40.20 (imaging archive) to 203.0.113.9"."""
    parts = {part.kind: _who(part) for part in found.parts}
    said = [parts.get("application", "traffic")]
    said += [f"of {parts['host']}"] if "host" in parts else []
    said += [f"with {parts['destination']}"] if "destination" in parts else []
    return " ".join(said)


def _who(part: Shift) -> str:
    return f"{part.key} ({part.label})" if part.label else part.key


def _moved(found: Explanation, ours: int, theirs: int) -> str:
    """ours, theirs: lengths of the two times in ms; where they differ rates are told, which compare."""
    asked, other = found.asked_octets / ours, found.other_octets / theirs  # octets per ms: 0.008 Mbit/s
    here, there = volume(found.asked_octets), volume(found.other_octets)
    if ours != theirs:
        here, there = rate(asked * 0.008), rate(other * 0.008)
    if other <= _NEXT_TO_NOTHING * asked:
        return f"came on top ({here})"
    if asked <= _NEXT_TO_NOTHING * other:
        return f"was missing ({there} then)"
    return f"{'grew' if asked > other else 'shrank'} from {there} to {here}"


def nothing_to_compare(ours: Asked, theirs: Asked, *, asked: bool, other: bool) -> str:
    """asked, other: whether that time has records."""
    if asked and other:
        return "There is no link to compare."
    if not other:
        told = site_clock(theirs).full_span(*theirs.window_ms)
        also = "" if asked else ", and none of the time asked about"
        return f"The export has no records of {told}{also}: there is nothing to compare with."
    return "The export has no records of the time asked about: there is nothing to compare."


def too_little(of: str, part: float) -> str:
    return f"Only {percent(part)} of {of} is covered by records, which is too little to compare."


def other_length(asked_ms: int, other_ms: int) -> str:
    return (
        f"The times are of different length, {duration(asked_ms)} and {duration(other_ms)}: compare rates, not volumes or "
        "minutes."
    )


def partly_covered(of: str, part: float) -> str:
    return f"Only {percent(part)} of {of} is covered by records; its volumes and minutes are lower bounds."


def records_lost(of: str, share: float) -> str:
    return f"Up to {percent(share)} of the records of {of} were lost; its figures are lower bounds."


def other_sampling(asked: float, other: float) -> str:
    return f"{_sampled(asked)} in the time asked about, {_sampled(other).lower()} in the other; small differences may be chance."


def _sampled(sampling: float) -> str:
    return f"1 packet in {sampling:,.0f} was sampled" if sampling > 1 else "Every packet was counted"


def other_windows(asked_s: float, other_s: float) -> str:
    return (
        f"Peaks are of {count(round(asked_s), 'second')} and of {count(round(other_s), 'second')}; the shorter ones are higher "
        "for the same traffic."
    )


def other_resolution(asked_s: int, other_s: int) -> str:
    return f"Bursts shorter than {asked_s} and {count(other_s, 'second')} cannot be seen in the two times."
