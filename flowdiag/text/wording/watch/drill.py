"""The page about a backup drill: what the client reads first, the figures, and the limits."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from flowdiag.text.clock import Clock, duration
from flowdiag.text.figures import count, percent, volume

TITLE: Final = "Backup line: what a change over to it showed"
IN_SHORT: Final = "In short"
FIGURES: Final = "In figures"
CARRIED: Final = "What the backup line carried"
LIMITS: Final = "What this page does not say"
MEASURED: Final = "Measured from flow records of the site's router."
WHO: Final = "Who used it"
WHAT: Final = "What for"
TIMES: Final = "Times"
WAYS: Final = {"down": "Download", "up": "Upload"}
SURE: Final = {"high": "sure", "medium": "likely", "low": "not sure"}
SHARE: Final = "Share of the octets"
NOBODY: Final = "Nobody stands out."
UNKNOWN: Final = "not known"
LIMIT_LINES: Final = (
    "It is a measurement, not a warranty: another change may go otherwise, above all where the backup line's rate varies.",
    "The records do not tell whether the change was planned, nor why the main line stopped.",
    "A gap is the longest time in which nothing ordinary came by either line; where nobody used the line just then, it holds "
    "that pause too.",
    "A call is told by the pace of its packets both ways: voice and picture of one call count as two, and one that had just "
    "begun, or that runs over TCP, does not count. How a call sounded cannot be seen.",
    "What people would have used beyond a full line cannot be seen.",
)

# Names of figures

STOPPED: Final = "Main line stopped"
BACKUP: Final = "Backup line took over"
BACK: Final = "Main line in use again"
GAP: Final = "Gap at the change"
RETURN_GAP: Final = "Gap at the return"
LASTED: Final = "On the backup line for"
CALLS: Final = "Calls at the change"
RETURN_CALLS: Final = "Calls at the return"
TESTED: Final = "The backup line's own test before"
VOLUME: Final = "Volume"
MEAN: Final = "Average"
PEAK: Final = "Busiest minute"
PLAN: Final = "Plan of the backup line"
FULL: Final = "At its limit for"
ABOVE: Final = "Offered beyond the plan"
BEFORE: Final = "Main line before: average"
BEFORE_PEAK: Final = "Main line before: busiest minute"
BEFORE_OVER: Final = "Main line before: minutes above the backup's plan"
RESOLUTION: Final = "Resolution of the records"
HOW_SURE: Final = "How sure that it was a change over"

_TESTED: Final = {
    "answered": "The backup line's own test was answered before the change.",
    "unanswered": "The backup line's own test was sent before the change, and not answered.",
    "missing": "The backup line was not tested before the change.",
    "none": "Whether the backup line was tested before the change is not known.",
    "sampled": "Whether the backup line was tested before the change cannot be told from samples.",
}
_UNSURE: Final = {
    "translated": "the router's address stands for its hosts, so that calls are known by their far ends alone",
    "sampled": "the router tells samples of the packets alone",
    "lost": "some records were lost",
}


def title(site: str) -> str:
    return f"{TITLE}: {site}"


def moment(clock: Clock, ms: int) -> str:
    """14:05:20 NZDT"""
    ms = ms // 1000 * 1000
    return f"{clock.local(ms):%H:%M:%S} {clock.zone(ms)}"


def gap(ms: int | None) -> str:
    """With a tenth of a second under ten seconds."""
    if ms is None:
        return UNKNOWN
    return duration(ms) if ms >= 10_000 else f"{ms / 1000:.1f} seconds"


def day(clock: Clock, ms: int) -> str:
    return clock.day(ms)


def _called(kind: str, names: Sequence[str]) -> str:
    """main line ("fibre"), or main line alone where its name says no more."""
    lines = kind if len(names) == 1 else f"{kind}s"
    if all(" ".join(name.casefold().replace("-", " ").split()) in (kind, kind.split()[0]) for name in names):
        return lines
    quoted = " and ".join(f'"{name}"' for name in names)
    return f"{lines} ({quoted})"


def change(
    clock: Clock, main: Sequence[str], backup: str, stopped_ms: int | None, backup_ms: int, gap_ms: int | None
) -> str:
    """What happened first, to the client."""
    day_of, other = clock.day(backup_ms), _called("backup line", [backup])
    if stopped_ms is None or gap_ms is None:
        return (
            f"On {day_of} your site was on its {other} when the records begin, at {moment(clock, backup_ms)}."
        )
    return (
        f"On {day_of} your {_called('main line', main)} stopped at {moment(clock, stopped_ms)}. Your {other} took "
        f"over after {gap(gap_ms)}."
    )


def carried(
    clock: Clock, lasted_ms: int, back_ms: int | None, return_gap_ms: int | None, octets: float
) -> str:
    said = f"It carried your site for {duration(lasted_ms)}, {volume(octets)} in all."
    if back_ms is None or return_gap_ms is None:
        return f"{said} When these records end, the site is not back on its main line."
    if return_gap_ms < 500:
        return f"{said} At {moment(clock, back_ms)} the site went back to its main line without a gap that could be measured."
    return f"{said} At {moment(clock, back_ms)} the site went back to its main line after a gap of {gap(return_gap_ms)}."


def calls(before: int, went_on: int, anew: int, unsure: str | None, *, back: bool) -> str:
    """back: of the return."""
    when = "When the site went back" if back else "When the main line stopped"
    if not before:
        return f"{when}, no call was going on."
    going = f"{when}, {count(before, 'call')} {'was' if before == 1 else 'were'} going on"
    if went_on == before:
        said = f"{going}; {'it' if before == 1 else 'all of them'} went on."
    else:
        said = f"{going}; {went_on:,} went on, {before - went_on:,} did not."
        if anew:
            said += f" {count(anew, 'new one')} of the same devices began within two minutes."
    return said if unsure is None else f"{said} This is not sure: {_UNSURE[unsure]}."


def calls_unknown(*, back: bool) -> str:
    return f"Whether calls went on when {'the site went back' if back else 'the main line stopped'} cannot be told."


def calls_figure(before: int, went_on: int, anew: int) -> str:
    if not before:
        return "none"
    return f"{before:,}: {went_on:,} went on" + (f", {anew:,} set up anew" if anew else "")


def fit(was_full: bool, ways: Sequence[tuple[str, float]]) -> str:
    """ways: names of the directions that were full, with their minutes."""
    full = [f"{WAYS[name].lower()} for {minutes_full(minutes)}" for name, minutes in ways if minutes > 0]
    if not full:
        return "Everything that was sent over the backup line fitted: it was never at its limit for long."
    said = f"The backup line was at its limit: {' and '.join(full)}."
    return (
        said
        + ("" if was_full else " These were short times.")
        + " Whatever more was wanted then had to wait."
    )


def minutes_full(minutes: float) -> str:
    return duration(minutes * 60_000)


def before(down: tuple[int, int], up: tuple[int, int]) -> str:
    """Of each direction: minutes before the change in which the main line had more than the backup's plan, of how many."""
    told = [
        f"the {WAYS[name].lower()} of your main line was above the backup's plan in {over:,} of the {count(of, 'minute')}"
        for name, (over, of) in (("down", down), ("up", up))
        if over
    ]
    if not told:
        return "What your main line carried in the hour before would have fitted as well, minute by minute."
    return f"In the hour before, {' and '.join(told)} that are known."


def tested(state: str, when: str | None) -> str:
    said = _TESTED[state]
    return said if when is None else f"{said[:-1]}, last at {when}."


def lost(share: float) -> str:
    return f"{percent(share)} of the records were lost on their way, so that figures are lower bounds."


def resolution(seconds: int) -> str:
    return count(seconds, "second")


def minutes_of(over: int, of: int) -> str:
    return f"{over:,} of {of:,}"


def variable(backup: str) -> str:
    return f"The rate of {backup} varies, as on every cellular or satellite line: its plan is a typical rate."
