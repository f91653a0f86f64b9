"""Many connection attempts got no answer: something beyond the link is failing.

Means: the link works, but a service that people use, or the name service, does not answer. To the client
it looks as if the internet were slow.

Decided: attempts in vain are TCP records with SYN and no ACK, and requests by UDP to services that answer every
one (names, time, calls, tunnels, QUIC and the like), without any record the other way. What is sent again is one
attempt. They are grouped by place (outside address and port) and by service (port, well-known ones
only). In a group, the minutes count in which at least half of the attempts failed, five minutes between
such minutes bridged; it is reported with thirty failures or more over three different minutes, if it
touches several hosts and makes a twentieth of all attempts of the site, or touches one host and makes a
fifth of them, or half of them where it did not begin within the export. A service with several places must
touch several hosts. QUIC in vain counts only at addresses that do not answer over TCP either.

Thresholds: unanswered_attempts, 30; unanswered_share, 0.5. Common practice, no source; a few per cent of
failures are normal anywhere.

Fooled by: one device that calls a dead place for ever (it is one host, and a small part of the attempts).
Scans (their hosts are left out) and peer-to-peer programs (their ports are no services). Outages and the
minute around a failover are left out: there the link fails.

Do: the helpdesk tests the service from elsewhere and tells the client who runs it.

Limits: says nothing on sampled exports or where answers are not exported: both show attempts without
answers that had one. A refusal is an answer.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Final

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from flowdiag.aggregator.site_flows import SiteFlows
from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.evidence import Applications, Destinations, Evidence, Hosts, Key, Protocol
from flowdiag.diagnoser.finding import Finding
from flowdiag.diagnoser.kind import Kind, Rank
from flowdiag.diagnoser.signals.attempts import (
    begins_attempt,
    connection_attempts,
    failed_attempts,
    is_everyday,
)
from flowdiag.diagnoser.signals.conversations import distinct, service_keys
from flowdiag.diagnoser.signals.scans import scans
from flowdiag.diagnoser.signals.shares import who_what_where
from flowdiag.diagnoser.signals.timeline import Grid, runs
from flowdiag.durations import MINUTE_MS
from flowdiag.text.sentences import beyond as wording

CODE: Final = "unanswered-connections"


@dataclass(frozen=True, eq=False)
class UnansweredConnections(Evidence):
    attempts: Annotated[int, Key("connection attempts on the place or service", "attempts")]
    unanswered: Annotated[int, Key("those in vain", "unanswered")]
    unanswered_share: Annotated[float, Key("their part", "share unanswered")]
    hosts_affected: Annotated[int, Key("inside hosts that tried in vain", "devices affected")]
    places: Annotated[int, Key("outside addresses that did not answer", "places")]
    port: Annotated[int | None, Key("port of the service; null where they are several", "port")]
    protocol: Protocol
    link: Annotated[str, Key("the link by which most attempts left", in_notes=False)]
    hosts: Hosts
    applications: Applications
    destinations: Destinations


LEAST_MINUTES: Final = 3
BRIDGE_MINUTES: Final = 5
SEVERAL_HOSTS: Final = 2
# Of all attempts of the site meanwhile: a dead advertising server stays under a few per cent.
PART_OF_ALL: Final = 0.05
PART_OF_ALL_BY_ONE: Final = 0.2
# What fails for one host alone since the export begins is that host's habit, not an event, unless the site tries
# little else.
MOST_OF_ALL: Final = 0.5
ONSET_MS: Final = 300_000


class _Group(Struct, frozen=True, eq=False):
    """failed, tried: rows. destination: outside address index, None where the whole service fails."""

    port: int
    protocol: int
    destination: int | None
    failed: NDArray[np.intp]
    tried: NDArray[np.intp]
    start_ms: int
    end_ms: int


def find(case: Case) -> list[Finding]:
    flows = case.flows
    failed = failed_attempts(case)
    scanning = [scan.inside for scan in scans(case)]
    failed = _not_by(flows, failed, scanning)
    if len(failed) < case.profile.thresholds.unanswered_attempts:
        return []
    tried = _not_by(flows, connection_attempts(case), scanning)
    services = _groups(case, failed, tried, by_destination=False)
    whole = {(group.port, group.protocol) for group in services}
    by_destination = [
        g for g in _groups(case, failed, tried, by_destination=True) if (g.port, g.protocol) not in whole
    ]
    return [_finding(case, group) for group in services + by_destination]


def _not_by(flows: SiteFlows, rows: NDArray[np.intp], hosts: list[int]) -> NDArray[np.intp]:
    """The rows of other inside hosts."""
    return rows[~np.isin(flows.inside[rows], hosts)] if hosts else rows


def _groups(
    case: Case, failed: NDArray[np.intp], tried: NDArray[np.intp], *, by_destination: bool
) -> list[_Group]:
    flows = case.flows
    least = case.profile.thresholds.unanswered_attempts
    failed_keys = _key(case, failed, by_destination)
    keys, counts = np.unique(failed_keys, return_counts=True)
    many = keys[counts >= least]
    if not len(many):
        return []
    tried_keys = _key(case, tried, by_destination)
    tried_at = flows.start_ms[tried]
    found: list[_Group] = []
    for key in many:
        failed_here = failed[failed_keys == key]
        port, protocol = int(flows.outside_port[failed_here[0]]), int(flows.protocol[failed_here[0]])
        everyday = is_everyday(port)
        several_destinations = distinct(flows.outside[failed_here], len(flows.addresses)) > 1
        if not by_destination and not (everyday and several_destinations):
            continue
        tried_here = tried[np.flatnonzero(tried_keys == key)]
        tried_here = tried_here[begins_attempt(flows, tried_here)]
        for start, end in _spells(case, failed_here, tried_here):
            here, of = _within(case, failed_here, start, end), _within(case, tried_here, start, end)
            meanwhile = tried[np.flatnonzero((tried_at >= start) & (tried_at < end))]
            if _matters(case, here, meanwhile, start, by_destination):
                destination = int(flows.outside[failed_here[0]]) if by_destination else None
                found.append(_Group(port, protocol, destination, here, of, start, end))
    return found


def _key(case: Case, rows: NDArray[np.intp], by_destination: bool) -> NDArray[np.int64]:
    flows = case.flows
    service = service_keys(flows, rows)
    return flows.outside[rows].astype(np.int64) << 25 | service if by_destination else service


def _spells(case: Case, failed: NDArray[np.intp], tried: NDArray[np.intp]) -> list[tuple[int, int]]:
    """[start, end) ms of each time in which most attempts of a group failed, enough of them over enough minutes."""
    flows, usage, thresholds = case.flows, case.usage, case.profile.thresholds
    grid = Grid(usage.start_ms, MINUTE_MS, -(-usage.windows * usage.window_ms // MINUTE_MS))
    fails, tries = grid.starting(flows.start_ms[failed]), grid.starting(flows.start_ms[tried])
    bad = (fails > 0) & (fails >= thresholds.unanswered_share * tries)
    spells: list[tuple[int, int]] = []
    for first, stop in runs(bad):
        if spells and first - spells[-1][1] <= BRIDGE_MINUTES:
            spells[-1] = (spells[-1][0], stop)
        else:
            spells.append((first, stop))
    kept = []
    for first, stop in spells:
        in_vain, of = int(fails[first:stop].sum()), int(tries[first:stop].sum())
        minutes = int(np.count_nonzero(fails[first:stop]))
        enough = in_vain >= thresholds.unanswered_attempts and minutes >= LEAST_MINUTES
        if enough and in_vain >= thresholds.unanswered_share * of:
            kept.append((grid.time_of(first), grid.time_of(stop)))
    return kept


def _within(case: Case, rows: NDArray[np.intp], start: int, end: int) -> NDArray[np.intp]:
    begun = case.flows.start_ms[rows]
    return rows[np.flatnonzero((begun >= start) & (begun < end))]


def _matters(
    case: Case, failed: NDArray[np.intp], meanwhile: NDArray[np.intp], start: int, by_destination: bool
) -> bool:
    """meanwhile: all that was tried in the spell, which begins at start."""
    if distinct(case.flows.inside[failed], len(case.flows.addresses)) >= SEVERAL_HOSTS:
        return _make(case, failed, PART_OF_ALL, meanwhile)
    begins_within = start - (case.coverage.first_ms or 0) >= ONSET_MS
    return by_destination and _make(
        case, failed, PART_OF_ALL_BY_ONE if begins_within else MOST_OF_ALL, meanwhile
    )


def _make(case: Case, failed: NDArray[np.intp], part: float, rows: NDArray[np.intp]) -> bool:
    """Whether failed attempts make such a part of the attempts that rows are."""
    if len(failed) / max(len(rows), 1) >= part:  # there are at most as many attempts as rows
        return True
    attempts = int(np.count_nonzero(begins_attempt(case.flows, rows)))
    return len(failed) / max(attempts, 1) >= part


def _finding(case: Case, group: _Group) -> Finding:
    flows = case.flows
    start = int(flows.start_ms[group.failed].min())
    end = int(flows.end_ms[group.failed].max())
    hosts = len(np.unique(flows.inside[group.failed]))
    destinations = len(np.unique(flows.outside[group.failed]))
    share = len(group.failed) / max(len(group.tried), 1)
    link = int(np.bincount(flows.link[group.failed]).argmax())
    ones = np.ones(len(group.failed))
    evidence = UnansweredConnections(
        attempts=len(group.tried),
        unanswered=len(group.failed),
        unanswered_share=round(share, 4),
        hosts_affected=hosts,
        places=destinations,
        port=group.port,
        protocol=group.protocol,
        link=case.profile.link[link].name,
        **who_what_where(case, group.failed, ones),
    )
    where = evidence["destinations"][0] if group.destination is not None else None
    service = evidence["applications"][0]["application"] if evidence["applications"] else "unknown"
    summary, client = wording.unanswered(
        case, len(group.failed), share, hosts, (group.protocol, group.port), service, where, start, end
    )
    return Finding(
        code=CODE,
        severity="warning",
        confidence="high" if share >= 0.8 else "medium",
        summary=summary,
        client=client,
        link=case.profile.link[link].name,
        direction="up",
        start_ms=start,
        end_ms=end,
        evidence=evidence,
        actions=wording.ELSEWHERE,
    )


KIND: Final = Kind(
    code=CODE,
    page=14,
    find=find,
    evidence=UnansweredConnections,
    ranks=(Rank(100),),
    means="The trouble lies with that service or on the way to it, not with your line's rate.",
    next_step="We test that service from another place and tell you whom to turn to.",
)
