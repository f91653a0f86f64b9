"""No link carried anything while the exporter was alive and the site was at work.

Means: the site was cut off. Nothing came in over any link, while the router went on and people or devices
tried.

Decided: on a grid of ten seconds a bin is dead when no record of any link that came from outside touches
it (keepalive replies do not count as the site's traffic; in a one-way export uploads stand in). From twenty
seconds on a dead time is a short outage where hosts tried in vain to reach places of which two answer at other
times (ten times, or five times and three places), or where three hosts tried ten times to reach three places, or where
conversations were interrupted (below), and no failover explains it; of less than a minute, and less than half of the
time asked about, it is told as an info. A dead
time of three minutes or more, from the last record that ended to the first that began, is an outage if the
exporter was heard in it (past its first minute, which still tells of before, and never silent for more than
three fifths of it) and the site was at work. At work is shown by any of these, strongest first:
- hosts tried to reach outside addresses (records with no way out, or sent with nothing coming back), places
  left out that are tried in vain at other times too;
- conversations that had run without a pause for twice as long stopped where the silence begins, within three seconds and
  before the active timeout, and went on after it: two of different devices and places, or one where the silence of all
  others is unlikely by itself;
- the time lies in the working hours of the profile and traffic flowed right before or came back right after;
- no hours are given and traffic flowed almost without pause on both sides (at the end of the export: without
  pause before it, within ordinary office hours).
Without attempts the silence must also be unusual: with traffic in a part p of the ten-second bins around, n
silent bins happen by chance with (1-p)^n, which must be under one in a million, and no other silence of the
export may be half as long.

Thresholds: outage_minutes, 3. Ten attempts and one each two minutes, traffic in four of five minutes around:
common practice, no source.

Fooled by: a quiet night looks the same from the links, hence the need for work. Silence of the exporter is
no outage, it is export-gap. Open records are exported late, so that the end of an export looks silent:
there the dead time must be longer by the active timeout, unless hosts tried. Devices that report one way, or
to places without a route, try all day long. Where keepalives on the backup were answered meanwhile, a way out was
there: the finding says so, and without attempts its confidence is low.

Do: the helpdesk checks power and the line's terminal with the client, then escalates to the carrier.

Limits: an outage under three minutes in which nobody tried anything and no lasting conversation was interrupted is not
reported; not-the-link then says the silence as a doubt. Whether the line, the modem, the carrier or, where nobody tried
anything, the site's own network failed cannot be seen from flow records.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Final

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from flowdiag.aggregator.site_flows import DOWN
from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.evidence import ABSENT, Applications, Destinations, Evidence, Hosts, Key
from flowdiag.diagnoser.finding import Confidence, Finding
from flowdiag.diagnoser.kind import Kind, Rank, sustained
from flowdiag.diagnoser.once import once_per_case
from flowdiag.diagnoser.signals.conversations import distinct
from flowdiag.diagnoser.signals.cut_off import STEP_MS, Outage, attempts_in, nothing_to_see, scene, within
from flowdiag.diagnoser.signals.interrupted import interrupted
from flowdiag.diagnoser.signals.keepalives import keepalive_rows
from flowdiag.diagnoser.signals.shares import who_what_where
from flowdiag.diagnoser.signals.short_outages import short_outages
from flowdiag.diagnoser.signals.timeline import runs
from flowdiag.durations import MINUTE_MS
from flowdiag.site.hours import Hours, parse_hours
from flowdiag.text.sentences import backup as wording

CODE: Final = "outage"


@dataclass(frozen=True, eq=False, kw_only=True)
class OutageEvidence(Evidence):
    minutes: Annotated[float, Key("how long it lasted", "lasted")]
    attempts: Annotated[int, Key("connection attempts in that time", "attempts")]
    hosts_trying: Annotated[int, Key("inside hosts that made them", "devices that tried")]
    at_work_shown_by: Annotated[
        str,
        Key(
            "what shows that the line was wanted: attempts, hours, interrupted or abrupt",
            "that people were at work is shown by",
            values={
                "attempts": "attempts to get out",
                "hours": "the working hours",
                "interrupted": "conversations that stopped and went on together",
                "abrupt": "how abruptly traffic stopped",
            },
        ),
    ]
    ongoing_at_end_of_export: Annotated[
        bool, Key("whether it goes on at the end", "still going on at the end of the export")
    ]
    links: Annotated[list[str], Key("names of the links that were silent", in_notes=False)]
    short: Annotated[bool, Key("it was over within minutes: told, and not the verdict", "short")] = ABSENT
    hosts: Hosts
    applications: Applications
    destinations: Destinations


LEAST_ATTEMPTS: Final = 10
ATTEMPTS_A_MINUTE: Final = 0.5
# How thin the site's traffic is, is read from an hour on either side; a silence that chance would bring
# once in a million proves nothing.
HABIT_BINS: Final = 360
CHANCE: Final = 1e-6
# Traffic flows when four of five minutes around have some; the same for the site's usual state.
FLOWING: Final = 0.8
AROUND_MS: Final = 600_000
# Without hours and attempts a longer silence than this is people going home, not a line that fails.
LONGEST_WITHOUT_PROOF_MS: Final = 2 * 3_600_000
# An outage that goes on when the export ends, without attempts on record, is only believed in these hours:
# after them people go home. (Common practice, no source.)
ASSUMED_HOURS: Final = parse_hours("Mon-Fri 08:00-17:00")
# What shows that the site was at work without anybody's attempts or hours; it may have been something else all the same.
UNTRIED: Final = ("interrupted", "abrupt")
# Messages that only carry templates come minutes apart; silence between two of them is one.
BRIDGE_MS: Final = 600_000
# Flows that ended are exported so much later at the most: after the idle timeout and the exporter's own queue.
LAG_MS: Final = 60_000
# An exporter that says nothing for more than this part of a silence was silent itself.
MOST_OF_IT: Final = 0.6


class _Dead(Struct, frozen=True, eq=False):
    """spans: [start, end) of each long silence, in time order. attempts: rows by which inside hosts tried to get out in
    vain within them, sorted by start.
    """

    spans: tuple[tuple[int, int], ...]
    attempts: NDArray[np.intp]


def find(case: Case) -> list[Finding]:
    return [_finding(case, outage) for outage in outages(case)]


@once_per_case
def outages(case: Case) -> tuple[Outage, ...]:
    """Every outage of the export, in time order."""
    if nothing_to_see(case):
        return ()
    judged = [_judge(case, start, end) for start, end in _dead(case).spans]
    long = [outage for outage in judged if outage is not None]
    return tuple(sorted([*long, *short_outages(case)], key=lambda outage: outage.start_ms))


@once_per_case
def _dead(case: Case) -> _Dead:
    spans = tuple(_silences(case))
    return _Dead(spans, attempts_in(case, spans) if spans else np.zeros(0, np.intp))


def _silences(case: Case) -> list[tuple[int, int]]:
    """The silences that are long enough and heard, with edges from the records that came around them."""
    first_ms, last_ms = _span(case)
    view, least = scene(case), case.profile.thresholds.outage_minutes * MINUTE_MS
    grid = view.grid
    silences = [(first, past) for first, past in runs(~view.carried) if (past - first + 2) * STEP_MS >= least]
    if not silences:
        return []
    start, end = case.flows.start_ms[view.came], case.flows.end_ms[view.came]
    begins, ends = grid.bin_of(start), grid.bin_of(end)
    found = []
    for first, past in silences:
        before = end[ends == first - 1] if first else end[:0]
        after = start[begins == past]
        begin = int(before.max()) if len(before) else max(grid.time_of(first), first_ms)
        stop = int(after.min()) if len(after) else min(grid.time_of(past), last_ms)
        if stop - begin >= least:
            found.append((begin, stop))
    return [part for silence in found for part in _heard_parts(case, *silence, least)]


def _span(case: Case) -> tuple[int, int]:
    """From the first to the last sign of life of the exporter: records, or whole heard windows past them."""
    usage, coverage = case.usage, case.coverage
    heard = np.flatnonzero(coverage.heard)
    first, last = coverage.first_ms or usage.start_ms, coverage.last_ms or usage.start_ms
    if len(heard):
        last = max(last, usage.start_ms + int(heard[-1]) * usage.window_ms)
    return first, last


def _heard_parts(case: Case, start: int, end: int, least: float) -> list[tuple[int, int]]:
    """The parts of a dead time that the exporter lived through; silence between two signs is bridged."""
    usage = case.usage
    first = (start - usage.start_ms) // usage.window_ms
    past = -((usage.start_ms - end) // usage.window_ms)
    heard = np.flatnonzero(case.coverage.heard[first:past]) + first
    if len(heard) < 2:
        return []
    breaks = np.flatnonzero(np.diff(heard) * usage.window_ms > min(BRIDGE_MS, MOST_OF_IT * (end - start)))
    parts = []
    for group in np.split(heard, breaks + 1):
        begin = max(usage.start_ms + int(group[0]) * usage.window_ms, start)
        stop = min(usage.start_ms + (int(group[-1]) + 1) * usage.window_ms, end)
        # What is exported in the first minute reports traffic of before; windows that the dead time only
        # touches hold traffic of before or after: no sign of life within it.
        at_ms = usage.start_ms + group * usage.window_ms
        lived = bool(((at_ms >= start + LAG_MS) & (at_ms + usage.window_ms <= end)).any())
        if lived and len(group) >= 2 and stop - begin >= least:
            parts.append((begin, stop))
    return parts


def _judge(case: Case, start: int, end: int) -> Outage | None:
    flows = case.flows
    tried = within(case, _dead(case).attempts, start, end)
    hosts = distinct(flows.inside[tried], len(flows.addresses))
    last_ms = _span(case)[1]
    ongoing = last_ms - end < case.usage.window_ms
    if len(tried) >= max(LEAST_ATTEMPTS, (end - start) / MINUTE_MS * ATTEMPTS_A_MINUTE):
        return Outage(start, end, len(tried), hosts, "attempts", ongoing)
    if end - start <= LONGEST_WITHOUT_PROOF_MS and interrupted(case, start, end, list(_dead(case).spans)):
        return Outage(start, end, len(tried), hosts, "interrupted", ongoing)
    # What is still open at the end of the export is not on record yet.
    sure_ms = end - start - (case.coverage.resolution_s * 1000 if ongoing else 0)
    if sure_ms < case.profile.thresholds.outage_minutes * MINUTE_MS or _may_be_chance(case, start, end):
        return None
    before, after = (
        _flowing(case, start - AROUND_MS, start),
        _flowing(case, end, end + AROUND_MS),
    )
    if case.profile.site.hours is not None:
        if max(before, after) < FLOWING or not _in_hours(
            case, parse_hours(case.profile.site.hours), start, end
        ):
            return None
        return Outage(start, end, len(tried), hosts, "hours", ongoing)
    steady = min(before, after) >= FLOWING
    if ongoing and before >= 1.0:
        steady = _in_hours(case, ASSUMED_HOURS, start, end)
    if not steady or end - start > LONGEST_WITHOUT_PROOF_MS:
        return None
    return Outage(start, end, len(tried), hosts, "abrupt", ongoing)


def _in_hours(case: Case, hours: Hours, start: int, end: int) -> bool:
    minutes = np.arange(start // MINUTE_MS, max(end // MINUTE_MS, start // MINUTE_MS + 1), dtype=np.int64)
    return float(hours.is_open(minutes, case.profile.site.timezone).mean()) >= FLOWING


def _flowing(case: Case, start: int, end: int) -> float:
    """The part of the minutes of [start, end) in which something was carried; 0 where the export has too
    few.
    """
    first_ms, last_ms = _span(case)
    start, end = max(start, first_ms), min(end, last_ms)
    if end - start < AROUND_MS / 2:
        return 0.0
    view = scene(case)
    first = (start - view.grid.start_ms) // STEP_MS
    minutes = view.carried[first : first + (end - start) // STEP_MS]
    whole = len(minutes) // 6 * 6
    return float(minutes[:whole].reshape(-1, 6).any(axis=1).mean())


def _may_be_chance(case: Case, start: int, end: int) -> bool:
    """Whether the site's own habit explains a silence: it is thin around, or as long at another time."""
    view = scene(case)
    first, last = view.grid.bin_of(np.array([start, end]))
    sides = [
        view.carried[max(first - HABIT_BINS, 0) : first],
        view.carried[last + 1 : last + 1 + HABIT_BINS],
    ]
    usual = [float(side.mean()) for side in sides if len(side) >= HABIT_BINS / 6]
    if not usual or (1.0 - min(usual)) ** int(last - first) > CHANCE:
        return True
    others = [stop - begin for begin, stop in _dead(case).spans if (begin, stop) != (start, end)]
    return any(length >= (end - start) / 2 for length in others)


def _keepalives_answered(case: Case, outage: Outage) -> bool:
    """Whether replies to keepalives came in over a link while nothing else did."""
    flows, rows = case.flows, keepalive_rows(case)
    meanwhile = (flows.start_ms[rows] >= outage.start_ms) & (flows.end_ms[rows] <= outage.end_ms)
    return bool((meanwhile & (flows.link[rows] >= 0) & (flows.direction[rows] == DOWN)).any())


def _finding(case: Case, outage: Outage) -> Finding:
    spans = [(outage.start_ms, outage.end_ms)]
    attempts = attempts_in(case, spans, margin_ms=0) if outage.short else _dead(case).attempts
    tried = within(case, attempts, outage.start_ms, outage.end_ms)
    answered = _keepalives_answered(case, outage)
    confidence: Confidence = "medium" if outage.proof in UNTRIED else "high"
    if answered and outage.proof != "attempts":
        confidence = "low"
    doubts = {
        wording.NO_ATTEMPTS_SEEN: outage.proof in ("hours", "abrupt"),
        wording.INTERRUPTED: outage.proof == "interrupted",
        wording.BACKUP_ANSWERED: answered,
    }
    summary, client = wording.outage(case, outage.start_ms, outage.end_ms, outage.attempts, outage.ongoing)
    evidence = OutageEvidence(
        minutes=round((outage.end_ms - outage.start_ms) / MINUTE_MS, 2),
        attempts=outage.attempts,
        hosts_trying=outage.hosts,
        at_work_shown_by=outage.proof,
        ongoing_at_end_of_export=outage.ongoing,
        links=[link.name for link in case.profile.link],
        short=True if outage.short else ABSENT,
        **who_what_where(case, tried, np.ones(len(tried))),
    )
    return Finding(
        code=CODE,
        severity="info" if outage.short else "critical",
        confidence=confidence,
        summary=summary,
        client=client,
        link=case.profile.link[0].name if len(case.profile.link) == 1 else None,
        start_ms=outage.start_ms,
        end_ms=outage.end_ms,
        evidence=evidence,
        actions=wording.LINE_DOWN,
        doubts=tuple(doubt for doubt, holds in doubts.items() if holds),
    )


KIND: Final = Kind(
    code=CODE,
    page=11,
    find=find,
    evidence=OutageEvidence,
    ranks=(Rank(10, sustained),),
    means="Nothing reached the Internet in that time, whichever device or program was used.",
    next_step="We check the line with you and report the fault to its carrier.",
)
