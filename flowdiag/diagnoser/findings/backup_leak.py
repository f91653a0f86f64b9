"""Ordinary traffic ran over the backup while the primary worked.

Means: a route or rule sends part of the site's traffic over the backup, usually by mistake. On a metered
backup it costs money and may have the link slowed down before it is needed; where it is much, it may be
what is slow.

Decided: of the backup's ordinary traffic (keepalives, the router's own chatter and strays from outside
left out, see link_states.py) what no failover explains is a leak. Explained is what begins in a failover
or within two minutes after it, and every conversation that goes on from there (lingering). Octets a day =
leaked octets / time that the exporter was heard; a month is thirty days of it, held against the allowance.
The share is the leak's part of all ordinary octets of the site in the complaint's window, or in the whole
export where it did not run in the window.

Thresholds: a megabyte in all, and 1 kbit/s on average, so that a router's own look-ups and a single update
check do not fire (common practice, no source). leak_share, 0.05: from there on, or where it fills the
backup, a leak may explain a complaint.

Fooled by: a heartbeat that the profile does not list is recognised by its low, steady rate to one place. A
primary that is silent all along makes this on-backup. Where a leak is the answer to a complaint, the client also reads
how far the main line was used meanwhile, since a leak says nothing of that.

Do: the engineer corrects the routing of what leaks; the account manager watches the allowance.

Limits: the month's projection takes the time of the export for typical; an export of an hour at noon gives
too much. Of less than a day the summary therefore says the least as well, what a month makes if it leaks in those hours of a
day only; where only the projection passes the allowance, the confidence is medium at most and the client is told of the doubt.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Final

import numpy as np
from numpy.typing import NDArray

from flowdiag.addresses import V4_PREFIX
from flowdiag.aggregator.site_flows import SiteFlows
from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.evidence import ABSENT, Applications, Destinations, Evidence, Hosts, Key
from flowdiag.diagnoser.finding import Confidence, Finding
from flowdiag.diagnoser.findings.on_backup import full_minutes, was_full
from flowdiag.diagnoser.kind import Kind, Rank
from flowdiag.diagnoser.signals.failovers import part_within
from flowdiag.diagnoser.signals.leaks import leaking
from flowdiag.diagnoser.signals.link_states import backups, heard_ms, link_states
from flowdiag.diagnoser.signals.shares import who_what_where
from flowdiag.durations import DAY_MS, HOUR_MS
from flowdiag.text.sentences import backup as wording
from flowdiag.text.sentences.devices import named_device

CODE: Final = "backup-leak"


@dataclass(frozen=True, eq=False, kw_only=True)
class BackupLeak(Evidence):
    octets: Annotated[int, Key("IP octets that should not have been there, both directions", "volume")]
    octets_a_day: Annotated[int, Key("the same over a day, at the export's mean", "volume a day")]
    month_gb: Annotated[
        float, Key("gigabytes (10^9 octets) over a month, at the export's mean", "projected for a month")
    ]
    least_month_gb: Annotated[
        float,
        Key(
            "of less than a day: what a month makes in those hours of a day alone",
            "if in the hours measured alone",
        ),
    ] = ABSENT
    measured_hours: Annotated[
        float, Key("hours that were measured, where less than a day", "hours measured")
    ] = ABSENT
    allowance_gb: Annotated[float | None, Key("monthly allowance, by the profile", "monthly allowance")]
    passes_allowance: Annotated[bool, Key("whether such a month would pass it", "passes the allowance")]
    leak_share: Annotated[float, Key("part of the site's ordinary octets", "share of the site's traffic")]
    full_minutes_down: Annotated[
        float, Key("minutes at the backup's limit meanwhile, download", "download full")
    ]
    full_minutes_up: Annotated[float, Key("the same, upload", "upload full")]
    fills_backup: Annotated[bool, Key("whether there were any", "fills the backup")]
    only: Annotated[str | None, Key("IPv4 or IPv6 where it is of one version alone", "carries only")]
    hosts: Hosts
    applications: Applications
    destinations: Destinations


MONTH_DAYS: Final = 30
ONLY: Final = 0.99  # of the octets: so much in one IP version is "only" that one


def find(case: Case) -> list[Finding]:
    leaks = [(link, leaking(case, link)) for link in backups(case.profile)]
    return [_finding(case, link, rows) for link, rows in leaks if len(rows)]


def _finding(case: Case, index: int, rows: NDArray[np.intp]) -> Finding:
    flows, link = case.flows, case.profile.link[index]
    weights = flows.octets[rows]
    octets, span = float(weights.sum()), heard_ms(case)
    a_day = octets * DAY_MS / span
    month_gb = a_day * MONTH_DAYS / 1e9
    start, end = int(flows.start_ms[rows].min()), int(flows.end_ms[rows].max())
    full = full_minutes(case, index, start, end)
    over = link.allowance_gb is not None and month_gb > link.allowance_gb
    share = _share(case, rows)
    only = _only(flows, rows)
    # What is certain even if it leaks in no other hour of the day than those measured.
    least_gb = min(octets * MONTH_DAYS / 1e9, month_gb)
    projected = over and span < DAY_MS and least_gb <= (link.allowance_gb or 0.0)
    confidence: Confidence = "high" if span >= DAY_MS / 24 and not projected else "medium"
    by = who_what_where(case, rows, weights)
    whose = named_device(case, by["hosts"])
    summary, client = wording.backup_leak(
        case, link.name, octets, a_day, (least_gb, month_gb), link.allowance_gb, share, only, whose, span
    )
    evidence = BackupLeak(
        octets=int(octets),
        octets_a_day=int(a_day),
        month_gb=round(month_gb, 2),
        least_month_gb=round(least_gb, 2) if span < DAY_MS else ABSENT,
        measured_hours=round(span / HOUR_MS, 1) if span < DAY_MS else ABSENT,
        allowance_gb=link.allowance_gb,
        passes_allowance=over,
        leak_share=round(share, 4),
        **full,
        fills_backup=was_full(case, index, start, end),
        only=only,
        **by,
    )
    return Finding(
        code=CODE,
        severity="critical" if over else "warning",
        confidence=confidence,
        summary=summary,
        client=client,
        link=link.name,
        start_ms=start,
        end_ms=end,
        evidence=evidence,
        actions=wording.LEAK,
        doubts=() if span >= DAY_MS else (wording.SHORT_EXPORT,),
    )


def _share(case: Case, rows: NDArray[np.intp]) -> float:
    """The leak's part of the site's ordinary octets in the complaint's window; in the export if it is not in it."""
    flows = case.flows
    ordinary = np.flatnonzero(link_states(case).ordinary)
    begin, end = case.window_ms
    leak = float((flows.octets[rows] * part_within(flows, rows, begin, end)).sum())
    if leak > 0.0:
        return leak / float((flows.octets[ordinary] * part_within(flows, ordinary, begin, end)).sum())
    return float(flows.octets[rows].sum()) / float(flows.octets[ordinary].sum())


def _only(flows: SiteFlows, rows: NDArray[np.intp]) -> str | None:
    """ "IPv6" or "IPv4" where the leak is of one version and the site uses both; None otherwise."""
    octets = np.frombuffer(b"".join(flows.addresses), dtype=np.uint8).reshape(-1, 16)
    v4 = (octets[:, : len(V4_PREFIX)] == np.frombuffer(V4_PREFIX, dtype=np.uint8)).all(axis=1)
    leak_v4 = float(flows.octets[rows][v4[flows.outside[rows]]].sum()) / float(flows.octets[rows].sum())
    on_links = flows.link >= 0
    site_v4 = float(flows.octets[on_links & v4[flows.outside]].sum()) / float(flows.octets[on_links].sum())
    if leak_v4 <= 1.0 - ONLY and site_v4 > 0.0:
        return "IPv6"
    if leak_v4 >= ONLY and site_v4 <= 0.9:
        return "IPv4"
    return None


def is_felt(case: Case, finding: Finding) -> bool:
    """Whether a leak is large enough to be felt."""
    large = finding.evidence.get("leak_share", 0.0) >= case.profile.thresholds.leak_share
    return bool(large or finding.evidence.get("fills_backup"))


KIND: Final = Kind(
    code=CODE,
    page=6,
    find=find,
    evidence=BackupLeak,
    ranks=(
        Rank(80, is_felt),
        Rank(240, audit=True),
    ),
    means="The main line works, so this traffic should not be on the backup line.",
    next_step="We find the setting that sends this traffic over the backup line, and correct it.",
)
