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
- the time lies in the working hours of the profile and traffic flowed right before and came back right after, or did one of
  these, and the time is an hour from where the hours begin and end: people come late and go early;
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

from flowdiag.aggregator.site_flows import DOWN
from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.evidence import ABSENT, Applications, Destinations, Evidence, Hosts, Key
from flowdiag.diagnoser.finding import Confidence, Finding
from flowdiag.diagnoser.kind import Kind, Rank, sustained
from flowdiag.diagnoser.signals.cut_off import Outage, attempts_in, within
from flowdiag.diagnoser.signals.keepalives import keepalive_rows
from flowdiag.diagnoser.signals.outages import dead_times, outages
from flowdiag.diagnoser.signals.shares import who_what_where
from flowdiag.durations import MINUTE_MS
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


# What shows that the site was at work without anybody's attempts or hours; it may have been something else all the same.
UNTRIED: Final = ("interrupted", "abrupt")


def find(case: Case) -> list[Finding]:
    return [_finding(case, outage) for outage in outages(case)]


def _keepalives_answered(case: Case, outage: Outage) -> bool:
    """Whether replies to keepalives came in over a link while nothing else did."""
    flows, rows = case.flows, keepalive_rows(case)
    meanwhile = (flows.start_ms[rows] >= outage.start_ms) & (flows.end_ms[rows] <= outage.end_ms)
    return bool((meanwhile & (flows.link[rows] >= 0) & (flows.direction[rows] == DOWN)).any())


def _finding(case: Case, outage: Outage) -> Finding:
    spans = [(outage.start_ms, outage.end_ms)]
    attempts = attempts_in(case, spans, margin_ms=0) if outage.short else dead_times(case).attempts
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
