"""No link carried anything while the exporter was alive and the site was at work.

Means: the site was cut off. Nothing came in over any link, while the router went on and people or devices
tried.

Decided: on a grid of ten seconds a bin is dead when no record of any link that came from outside touches
it (keepalive replies do not count as the site's traffic; in a one-way export uploads stand in). A dead
time of three minutes or more, from the last record that ended to the first that began, is an outage if the
exporter was heard in it and the site was at work. At work is shown by any of these, strongest first: hosts
tried to reach outside addresses (records with no way out, or sent with nothing coming back); the time lies
in the working hours of the profile and traffic flowed right before or came back right after; no hours are
given, traffic flowed almost without pause on both sides and the site is not otherwise silent for as long
(at the end of the export: without pause before it, within ordinary office hours).

Thresholds: outage_minutes, 3. Ten attempts, and traffic in four of five minutes around: common practice,
no source.

Fooled by: a quiet night looks the same from the links, hence the need for work. Silence of the exporter is
no outage, it is export-gap. Open records are exported late, so that the end of an export looks silent:
there the dead time must be longer by the active timeout, unless hosts tried.

Do: the helpdesk checks power and the line's terminal with the client, then escalates to the carrier.

Limits: an outage under three minutes is not reported. Whether the line, the modem or the carrier failed
cannot be seen from flow records.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from flowdiag.aggregator.site_flows import DOWN, UP
from flowdiag.diagnoser import wording_backup as words
from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.conversations import sees_downloads
from flowdiag.diagnoser.finding import Confidence, Finding
from flowdiag.diagnoser.keepalives import accounts, matching_rows
from flowdiag.diagnoser.once import once_per_case
from flowdiag.diagnoser.shares import lies_in, who_what_where
from flowdiag.diagnoser.timeline import Grid, runs
from flowdiag.site.hours import parse_hours

CODE: Final = "outage"

STEP_MS: Final = 10_000
LEAST_ATTEMPTS: Final = 10
# Traffic flows when four of five minutes around have some; the same for the site's usual state.
FLOWING: Final = 0.8
AROUND_MS: Final = 600_000
# Without hours and attempts a longer silence than this is people going home, not a line that fails.
LONGEST_WITHOUT_PROOF_MS: Final = 2 * 3_600_000
# An outage that goes on when the export ends, without attempts on record, is only believed in these hours:
# after them people go home. (Common practice, no source.)
ASSUMED_HOURS: Final = parse_hours("Mon-Fri 08:00-17:00")
# Messages that only carry templates come minutes apart; silence between two of them is one.
BRIDGE_MS: Final = 600_000
# Multicast, broadcast, "this host" and link-local addresses (RFC 6890, RFC 4291): never a try to reach the
# Internet.
GROUPS: Final = (
    "224.0.0.0/4",
    "255.255.255.255/32",
    "0.0.0.0/8",
    "169.254.0.0/16",
    "ff00::/8",
    "fe80::/10",
    "::/128",
)


@dataclass(frozen=True)
class Outage:
    start_ms: int
    end_ms: int
    attempts: int
    hosts: int
    proof: str  # "attempts", "hours" or "abrupt"
    ongoing: bool


def find(case: Case) -> list[Finding]:
    return [_finding(case, outage) for outage in outages(case)]


@once_per_case
def outages(case: Case) -> tuple[Outage, ...]:
    """Every outage of the export, in time order."""
    if not case.profile.link or len(case.flows) == 0 or case.coverage.last_ms is None:
        return ()
    rows = _carried(case)
    found = []
    for start, end in _dead(case, rows):
        outage = _judge(case, rows, start, end)
        if outage is not None:
            found.append(outage)
    return tuple(found)


def _carried(case: Case) -> NDArray[np.intp]:
    """The rows that prove a link works: what came in, keepalive replies apart."""
    flows = case.flows
    on_link = flows.link >= 0
    for account in accounts(case):
        on_link[matching_rows(flows, account.keepalive)] = False
    if sees_downloads(flows):
        on_link &= flows.direction == DOWN
    return np.flatnonzero(on_link)


def _dead(case: Case, rows: NDArray[np.intp]) -> list[tuple[int, int]]:
    """[start, end) of each time in which nothing was carried, with edges from the records; long enough and
    heard.
    """
    flows, usage = case.flows, case.usage
    grid = Grid(usage.start_ms, STEP_MS, usage.windows * usage.window_ms // STEP_MS)
    start, end = flows.start_ms[rows], flows.end_ms[rows]
    quiet = grid.covering(start, end) == 0
    first_ms, last_ms = _span(case)
    begins, ends = grid.bin_of(start), grid.bin_of(end)
    least = case.profile.thresholds.outage_minutes * 60_000
    found = []
    for first, past in runs(quiet):
        if (past - first + 2) * STEP_MS < least:
            continue
        before = end[ends == first - 1] if first else end[:0]
        after = start[begins == past]
        begin = int(before.max()) if len(before) else max(grid.time_of(first), first_ms)
        stop = int(after.min()) if len(after) else min(grid.time_of(past), last_ms)
        if stop - begin >= least:
            found.append((begin, stop))
    return [part for dead in found for part in _heard_parts(case, *dead, least)]


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
    breaks = np.flatnonzero(np.diff(heard) * usage.window_ms > BRIDGE_MS)
    parts = []
    for group in np.split(heard, breaks + 1):
        begin = max(usage.start_ms + int(group[0]) * usage.window_ms, start)
        stop = min(usage.start_ms + (int(group[-1]) + 1) * usage.window_ms, end)
        if len(group) >= 2 and stop - begin >= least:
            parts.append((begin, stop))
    return parts


def _judge(case: Case, rows: NDArray[np.intp], start: int, end: int) -> Outage | None:
    flows, coverage = case.flows, case.coverage
    tried = attempts_in(case, start, end)
    hosts = len(np.unique(flows.inside[tried]))
    first_ms, last_ms = _span(case)
    ongoing = last_ms - end < case.usage.window_ms
    open_ms = coverage.resolution_s * 1000 if ongoing else 0
    minutes = (end - start) / 60_000
    if len(tried) >= max(LEAST_ATTEMPTS, minutes / 2):
        return Outage(start, end, len(tried), hosts, "attempts", ongoing)
    if end - start - open_ms < case.profile.thresholds.outage_minutes * 60_000:
        return None
    before = _flowing(case, rows, start - AROUND_MS, start, first_ms, last_ms)
    after = _flowing(case, rows, end, end + AROUND_MS, first_ms, last_ms)
    if case.profile.site.hours is not None:
        times = np.arange(start // 60_000, max(end // 60_000, start // 60_000 + 1), dtype=np.int64)
        at_work = parse_hours(case.profile.site.hours).is_open(times, case.profile.site.timezone)
        if float(at_work.mean()) < FLOWING or max(before, after) < FLOWING:
            return None
        return Outage(start, end, len(tried), hosts, "hours", ongoing)
    both = min(before, after) >= FLOWING
    if ongoing and before >= 1.0:
        times = np.arange(start // 60_000, end // 60_000, dtype=np.int64)
        both = bool(ASSUMED_HOURS.is_open(times, case.profile.site.timezone).all())
    if not both or end - start > LONGEST_WITHOUT_PROOF_MS or _often_silent(case, rows, start, end):
        return None
    return Outage(start, end, len(tried), hosts, "abrupt", ongoing)


def attempts_in(case: Case, start: int, end: int) -> NDArray[np.intp]:
    """Rows by which an inside host tried to reach an outside address within [start, end) and could not.

    They left by no link (no egress interface), or by a link while nothing came back over any.
    """
    flows = case.flows
    near = np.flatnonzero((flows.start_ms >= start) & (flows.start_ms < end))
    no_way_out = (flows.link[near] < 0) & (flows.egress[near] == 0)
    into_nothing = (flows.link[near] >= 0) & (flows.direction[near] == UP) & ~_own_checks(case)[near]
    tried: NDArray[np.intp] = near[no_way_out | into_nothing]
    lan = case.profile.site.lan
    meant = np.zeros(len(flows.addresses), dtype=np.bool_)
    for index in np.unique(flows.outside[tried]):
        address = flows.addresses[int(index)]
        meant[index] = not lies_in(address, GROUPS) and not lies_in(address, lan)
    tried = tried[meant[flows.outside[tried]]]
    if lan:
        ours = np.zeros(len(flows.addresses), dtype=np.bool_)
        for index in np.unique(flows.inside[tried]):
            ours[index] = lies_in(flows.addresses[int(index)], lan)
        tried = tried[ours[flows.inside[tried]]]
    return tried


def _own_checks(case: Case) -> NDArray[np.bool_]:
    own = np.zeros(len(case.flows), dtype=np.bool_)
    for account in accounts(case):
        own[matching_rows(case.flows, account.keepalive)] = True
    return own


def _flowing(case: Case, rows: NDArray[np.intp], start: int, end: int, first_ms: int, last_ms: int) -> float:
    """The part of the heard minutes of [start, end) in which something was carried; 0 where the export has
    none.
    """
    usage = case.usage
    start, end = max(start, first_ms), min(end, last_ms)
    if end - start < AROUND_MS / 2:
        return 0.0
    grid = Grid(start, usage.window_ms, max((end - start) // usage.window_ms, 1))
    flowing = grid.covering(case.flows.start_ms[rows], case.flows.end_ms[rows]) > 0
    return float(flowing.mean())


def _often_silent(case: Case, rows: NDArray[np.intp], start: int, end: int) -> bool:
    """Whether the site is silent for half as long at other times of the export: then silence is its habit."""
    for other_start, other_end in _dead(case, rows):
        if (other_start, other_end) != (start, end) and other_end - other_start >= (end - start) / 2:
            return True
    return False


def _finding(case: Case, outage: Outage) -> Finding:
    tried = attempts_in(case, outage.start_ms, outage.end_ms)
    confidence: Confidence = "medium" if outage.proof == "abrupt" else "high"
    summary, client = words.outage(case, outage.start_ms, outage.end_ms, outage.attempts, outage.ongoing)
    evidence: dict[str, Any] = {
        "minutes": round((outage.end_ms - outage.start_ms) / 60_000, 1),
        "attempts": outage.attempts,
        "hosts_trying": outage.hosts,
        "at_work_shown_by": outage.proof,
        "ongoing_at_end_of_export": outage.ongoing,
        "links": [link.name for link in case.profile.link],
        **who_what_where(case, tried, np.ones(len(tried))),
    }
    return Finding(
        code=CODE,
        severity="critical",
        confidence=confidence,
        summary=summary,
        client=client,
        link=case.profile.link[0].name if len(case.profile.link) == 1 else None,
        start_ms=outage.start_ms,
        end_ms=outage.end_ms,
        evidence=evidence,
        actions=words.LINE_DOWN,
        doubts=(words.NO_ATTEMPTS_SEEN,) if outage.proof != "attempts" else (),
    )
