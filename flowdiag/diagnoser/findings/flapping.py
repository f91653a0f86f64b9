"""The site changed over to its backup again and again in a short time.

Means: the primary is unsteady: it comes back just long enough to take the traffic and fails again. Each
change cuts calls and sessions, so that this hurts more than one long failover.

Decided: failovers are found as for on-backup. Three or more that begin within an hour of each other make
one flapping finding with the times of each change; it takes the place of the single findings, except of
those of ten minutes and more.

Thresholds: flapping_failovers, 3 within 60 minutes. Common practice, no source.

Fooled by: a leak that runs at times when the primary happens to be silent; see failovers.py for what rules
it out.

Do: the helpdesk escalates the unsteady primary to the carrier; the engineer may hold the site on its
backup until it is steady.

Limits: changes shorter than about ten seconds are not seen.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Final

from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.evidence import Evidence, Key, Switch
from flowdiag.diagnoser.finding import Finding
from flowdiag.diagnoser.kind import Kind, Rank
from flowdiag.diagnoser.signals.failovers import Failover, failovers
from flowdiag.durations import MINUTE_MS
from flowdiag.text.sentences import backup as wording
from flowdiag.text.sentences.times import moment

CODE: Final = "flapping"


@dataclass(frozen=True, eq=False)
class Flapping(Evidence):
    failovers: Annotated[int, Key("changes to the backup", "failovers")]
    minutes_on_backup: Annotated[float, Key("how long the backup carried the site, in all", "on the backup")]
    longest_gap_s: Annotated[float | None, Key("longest time without either link at a change", "longest gap")]
    octets_down: Annotated[int, Key("IP octets over the backup, download", "downloaded")]
    octets_up: Annotated[int, Key("the same, upload", "uploaded")]
    still_on_backup: Annotated[
        bool,
        Key("whether the backup carries the site at the end", "still on the backup at the end of the export"),
    ]
    switches: Annotated[list[Switch], Key("each stay on the backup and the gap before it", "switches")]


WITHIN_MS: Final = 3_600_000


def find(case: Case) -> list[Finding]:
    return [_finding(case, group) for group in flapping_groups(case)]


def flapping_groups(case: Case) -> list[tuple[Failover, ...]]:
    """Failovers that follow each other so closely that any hour around holds enough of them; disjoint groups."""
    least = max(case.profile.thresholds.flapping_failovers, 2)
    episodes = failovers(case).episodes
    member = [False] * len(episodes)
    for first in range(len(episodes) - least + 1):
        last = first + least - 1
        if episodes[last].start_ms - episodes[first].start_ms <= WITHIN_MS:
            member[first : last + 1] = [True] * least
    groups: list[list[Failover]] = []
    for index, episode in enumerate(episodes):
        if not member[index]:
            continue
        near = groups and episode.start_ms - groups[-1][-1].end_ms <= WITHIN_MS
        if near and member[index - 1]:
            groups[-1].append(episode)
        else:
            groups.append([episode])
    return [tuple(group) for group in groups]


def _finding(case: Case, group: tuple[Failover, ...]) -> Finding:
    link = case.profile.link[group[0].link]
    away_ms = sum(failover.length_ms for failover in group)
    gaps = [failover.gap_ms for failover in group if failover.gap_ms is not None]
    summary, client = wording.flapping(case, link.name, group)
    return Finding(
        code=CODE,
        severity="critical",
        confidence="high",
        summary=summary,
        client=client,
        link=link.name,
        start_ms=group[0].start_ms,
        end_ms=group[-1].end_ms,
        evidence=Flapping(
            failovers=len(group),
            minutes_on_backup=round(away_ms / MINUTE_MS, 1),
            longest_gap_s=round(max(gaps) / 1000, 1) if gaps else None,
            octets_down=int(sum(f.octets_down for f in group)),
            octets_up=int(sum(f.octets_up for f in group)),
            still_on_backup=group[-1].still,
            switches=[
                {
                    "from": moment(case, f.start_ms),
                    "to": moment(case, f.end_ms),
                    "gap_s": None if f.gap_ms is None else round(f.gap_ms / 1000, 1),
                }
                for f in group
            ],
        ),
        actions=wording.UNSTEADY,
    )


KIND: Final = Kind(
    code=CODE,
    page=5,
    find=find,
    evidence=Flapping,
    ranks=(Rank(20),),
    means="As long as the main line comes and goes, calls and downloads will break off.",
    next_step="We report the unsteady line to its carrier, with the time of every change.",
)
