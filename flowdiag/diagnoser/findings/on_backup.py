"""The primary carried nothing usual while the backup carried ordinary traffic: a failover.

Means: the primary failed (or was switched off) and the backup took over. A cellular backup has a part of
the primary's rate, the upload least of all, so that the site may be slow although nothing is down.

Decided: a stay is a time in which the backup is in use and the primary is not, in steps of ten seconds, where
the primary's silence is no accident, the primary talks to few destinations meanwhile, the same conversations
did not run over the backup before, and something was sent over the backup: where requests went out by the
primary all along, only answers took the other way. Anything else is a leak. A stay starts with the first
ordinary record on the backup and ends with the first one back on the primary. The gap is that start minus the
end of the last ordinary record that the primary brought (arithmetic): what the client noticed of the switch
itself. So it is measured at the return, from the last record that the backup brought. Calls are real-time
conversations as in realtime-contention; one went on where its packets go both ways over the backup within half
a minute. Flows that finish on the backup after the fail-back belong to neither.

Thresholds: 10,000 octets on the backup; primary under a twentieth of the downloads; probability that the
primary's silence is chance under 1e-4. Common practice, no source.

Fooled by: a primary that still answers its own checks while it is out of use (checks reach few places, and
are told by that). Interfaces swapped in the profile make the primary look like a backup: then everything
is on it all along.

Do: the helpdesk opens a fault with the primary's carrier; the client puts off what can wait until it is
back. When the site is still on the backup although the primary is up, the engineer looks at the fail-back.

Limits: a failover shorter than the records' time stamps or than about ten seconds is not seen. What failed on
the primary cannot be told from flow records. A gap is as long as nothing ordinary was brought, so at a quiet
site it may hold a pause of use. How a call sounded cannot be seen; where an address translation hides the
hosts, a call is known by its far end and port alone.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Any, Final

import numpy as np
from numpy.typing import NDArray

from flowdiag.aggregator.site_flows import DIRECTION_NAMES
from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.evidence import ABSENT, Applications, Destinations, Evidence, Hosts, Key
from flowdiag.diagnoser.finding import Confidence, Finding
from flowdiag.diagnoser.findings.flapping import flapping_groups
from flowdiag.diagnoser.kind import Kind, Rank
from flowdiag.diagnoser.signals.changeover import Calls, changeover
from flowdiag.diagnoser.signals.episodes import Episode, capacity_mbps, episodes
from flowdiag.diagnoser.signals.failovers import Failover, failovers, rows_during
from flowdiag.diagnoser.signals.figure_windows import figure_windows
from flowdiag.diagnoser.signals.full_times import full_within, minutes_of
from flowdiag.diagnoser.signals.outages import outages
from flowdiag.diagnoser.signals.shares import who_what_where
from flowdiag.durations import MINUTE_MS
from flowdiag.text.sentences import backup as wording

CODE: Final = "on-backup"


@dataclass(frozen=True, eq=False, kw_only=True)
class OnBackup(Evidence):
    minutes: Annotated[float, Key("how long the backup carried the site", "lasted")]
    gap_s: Annotated[
        float | None,
        Key("time without either link at the change; null where it is not seen", "gap of the switch"),
    ]
    return_gap_s: Annotated[
        float | None,
        Key("the same at the return to the primary; null without one", "gap of the return"),
    ]
    calls: Annotated[
        int | None,
        Key(
            "calls that went on when the site changed to the backup; null where it cannot be told",
            "calls at the change",
            zero=False,
        ),
    ]
    calls_went_on: Annotated[
        int, Key("those of them that went on over the backup, where there were any", "calls that went on")
    ] = ABSENT
    calls_set_up_anew: Annotated[
        int,
        Key(
            "new ones of the same hosts within two minutes, in place of others",
            "calls set up anew",
            zero=False,
        ),
    ] = ABSENT
    calls_unsure: Annotated[
        str | None,
        Key("translated, sampled or lost: why the numbers of calls may be otherwise", in_notes=False),
    ] = ABSENT
    octets_down: Annotated[int, Key("IP octets over the backup, download", "downloaded")]
    octets_up: Annotated[int, Key("the same, upload", "uploaded")]
    mean_down_mbps: Annotated[float, Key("mean rate of IP octets, download", "mean download")]
    mean_up_mbps: Annotated[float, Key("the same, upload", "mean upload")]
    full_minutes_down: Annotated[float, Key("minutes at the backup's limit, download", "download full")]
    full_minutes_up: Annotated[float, Key("the same, upload", "upload full")]
    backup_was_full: Annotated[bool, Key("whether there were any", "the backup was full")]
    began_before_export: Annotated[
        bool, Key("whether the export begins on the backup", "began before the export")
    ]
    still_on_backup: Annotated[
        bool,
        Key("whether the backup carries the site at the end", "still on the backup at the end of the export"),
    ]
    followed_an_outage: Annotated[bool, Key("whether all links were silent before it", "followed an outage")]
    hosts: Hosts
    applications: Applications
    destinations: Destinations


# Within a flapping spell single failovers are reported there; only one this long is worth a finding of its own.
LONG_MS: Final = 600_000


def find(case: Case) -> list[Finding]:
    flapping = {failover for group in flapping_groups(case) for failover in group}
    return [
        finding_of(case, failover)
        for failover in failovers(case).episodes
        if failover not in flapping or failover.length_ms >= LONG_MS
    ]


def full_minutes(case: Case, link: int, start: int, end: int) -> dict[str, Any]:
    """Minutes of [start, end) in which each direction of a link was full, in its sustained times and its short spells."""
    return {
        f"full_minutes_{name}": _minutes_full(case, link, direction, start, end)
        for direction, name in enumerate(DIRECTION_NAMES)
    }


def was_full(case: Case, link: int, start: int, end: int) -> bool:
    """Whether a direction of a link was full in [start, end) for a sustained time."""
    return any(
        _full_windows(case, episode, start, end)[1].any()
        for direction in range(len(DIRECTION_NAMES))
        for episode in _sustained(case, link, direction)
    )


def _sustained(case: Case, link: int, direction: int) -> list[Episode]:
    return [
        episode
        for episode in episodes(case).full
        if (episode.link, episode.direction) == (link, direction) and not episode.estimated
    ]


def _full_windows(
    case: Case, episode: Episode, start: int, end: int
) -> tuple[NDArray[np.intp], NDArray[np.bool_]]:
    """Windows of an episode that touch [start, end), and whether each is full."""
    usage, windows = episode.usage or case.usage, episode.windows()
    begins = usage.start_ms + windows * usage.window_ms
    touching = (begins + usage.window_ms > start) & (begins < end)
    limit = case.profile.thresholds.full * capacity_mbps(case, episode.link, episode.direction)
    return windows[touching], episode.rates(case)[touching] >= limit


def _minutes_full(case: Case, link: int, direction: int, start: int, end: int) -> float:
    exact = full_within(case, link, direction, [(start, end)])
    found = [_full_windows(case, episode, start, end) for episode in _sustained(case, link, direction)]
    windows = np.concatenate([np.zeros(0, np.intp), *(windows for windows, _ in found)])
    full = np.concatenate([np.zeros(0, np.bool_), *(full for _, full in found)])
    return minutes_of(case, figure_windows(case).usage, windows, full, exact)


def finding_of(case: Case, failover: Failover) -> Finding:
    """What is told of one stay on a backup."""
    link = case.profile.link[failover.link]
    span = failover.start_ms, failover.end_ms
    full, backup_was_full = full_minutes(case, failover.link, *span), was_full(case, failover.link, *span)
    rows, weights = rows_during(case, failover)
    doubts, confidence = _doubts(case, failover)
    change = changeover(case, failover)
    summary, client = wording.on_backup(case, link.name, failover, backup_was_full)
    cut_off = [o for o in outages(case) if abs(o.end_ms - failover.start_ms) < 120_000]
    evidence = OnBackup(
        minutes=round(failover.length_ms / MINUTE_MS, 2),
        gap_s=None if failover.gap_ms is None else round(failover.gap_ms / 1000, 1),
        return_gap_s=None if change.return_gap_ms is None else round(change.return_gap_ms / 1000, 1),
        **_calls(change.there),
        octets_down=int(failover.octets_down),
        octets_up=int(failover.octets_up),
        mean_down_mbps=_mbps(failover.octets_down, failover.length_ms),
        mean_up_mbps=_mbps(failover.octets_up, failover.length_ms),
        **full,
        backup_was_full=backup_was_full,
        began_before_export=failover.began_before,
        still_on_backup=failover.still,
        followed_an_outage=bool(cut_off),
        **who_what_where(case, rows, weights),
    )
    return Finding(
        code=CODE,
        severity="critical",
        confidence=confidence,
        summary=summary,
        client=client,
        link=link.name,
        start_ms=failover.start_ms,
        end_ms=failover.end_ms,
        evidence=evidence,
        actions=wording.STUCK if failover.still else wording.FAILED_OVER,
        doubts=doubts,
    )


def _calls(calls: Calls | None) -> dict[str, Any]:
    if calls is None or not calls.before:
        return {"calls": None if calls is None else 0}
    return {
        "calls": calls.before,
        "calls_went_on": calls.went_on,
        "calls_set_up_anew": calls.anew,
        "calls_unsure": calls.unsure,
    }


def _mbps(octets: float, lasting_ms: int) -> float:
    return round(octets * 8 / max(lasting_ms, 1) / 1000, 3)


def _doubts(case: Case, failover: Failover) -> tuple[tuple[str, ...], Confidence]:
    if failover.began_before and failover.still:
        return (wording.NEVER_ON_PRIMARY,), "medium"
    if not case.coverage.heard[case.usage.touched(failover.start_ms, failover.end_ms)].all():
        return (wording.NOT_HEARD_ALL_ALONG,), "medium"
    return (), "high"


KIND: Final = Kind(
    code=CODE,
    page=4,
    find=find,
    evidence=OnBackup,
    ranks=(Rank(30),),
    means="The backup line kept you connected while the main line was out of use.",
    next_step="We take the failure of the main line up with its carrier.",
)
