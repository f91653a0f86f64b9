"""Keepalives run at another cadence than their interval says, neither missing nor in excess.

Means: the profile's interval or the router's setting is wrong, or the router sends under load. Nothing is
broken.

Decided: the mean time between keepalives (records' packets over their time, and the time from one record
to the next; gaps that count as missing left out) is held against the interval. More than a fifth off it is
irregular: from a tenth of the interval (faster is keepalive-excess) up to where every pause is itself a
gap (keepalive-missing).

Thresholds: keepalive_irregular_part, 0.2 (timers that are jittered on purpose stay within a tenth or so:
common practice, no source). At least ten keepalives.

Fooled by: lost records make a cadence look slower by the part that was lost; up to a fifth is tolerated.

Do: the engineer compares the interval in the profile with the router's setting.

Limits: says nothing on sampled exports, whose counts are too rough. A cadence that is right on average and
uneven is not reported.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Final

import numpy as np

from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.evidence import Destinations, Evidence, Interval, Key, Probed, ProbeProtocol
from flowdiag.diagnoser.finding import Finding
from flowdiag.diagnoser.findings.keepalive_excess import excess_of
from flowdiag.diagnoser.kind import Kind
from flowdiag.diagnoser.signals.keepalives import Account, Beats, accounts, probed_place
from flowdiag.text.sentences import backup as wording

CODE: Final = "keepalive-irregular"


@dataclass(frozen=True, eq=False)
class KeepaliveIrregular(Evidence):
    destination: Probed
    protocol: ProbeProtocol
    interval_s: Interval
    cadence_s: Annotated[float, Key("seconds from one probe to the next, as seen", "interval seen")]
    keepalives: Annotated[int, Key("how many were seen", "keepalives")]
    destinations: Destinations


LEAST_BEATS: Final = 10


def find(case: Case) -> list[Finding]:
    if case.coverage.sampling > 1 or not case.coverage.links_apart:
        return []
    found = []
    for account in accounts(case):
        beats = account.requests if account.requests.records else account.replies
        cadence = _cadence_s(beats, account.least_ms(case) + 0.5 * account.interval_ms)
        if cadence is None or excess_of(case, account) is not None:
            continue
        off = cadence / account.keepalive.interval_s
        tolerance = case.profile.thresholds.keepalive_irregular_part
        if not 1.0 - tolerance <= off <= 1.0 + tolerance:
            found.append(_finding(case, account, beats, cadence))
    return found


def _cadence_s(beats: Beats, gap_ms: float) -> float | None:
    """Mean seconds from one keepalive to the next, without pauses of gap_ms or more; None where too few are seen."""
    if beats.records == 0:
        return None
    end = np.maximum.accumulate(beats.end_ms)
    between = np.maximum(beats.start_ms[1:] - end[:-1], 0)
    within = between[between < gap_ms]
    lasting = np.where(beats.count > 1, beats.end_ms - beats.start_ms, 0)
    # A one-check record of TCP stands for one keepalive however long it took: count from start to start.
    single = np.where(beats.count > 1, 0, beats.end_ms - beats.start_ms)
    total = float(lasting.sum() + within.sum() + single.sum())
    steps = float(np.maximum(beats.count - 1, 0).sum()) + len(within)
    return total / steps / 1000.0 if steps >= LEAST_BEATS - 1 and total > 0 else None


def _finding(case: Case, account: Account, beats: Beats, cadence_s: float) -> Finding:
    link = case.profile.link[account.link]
    summary, client = wording.keepalive_irregular(case, link.name, account.keepalive, cadence_s)
    return Finding(
        code=CODE,
        severity="info",
        confidence="medium",
        summary=summary,
        client=client,
        link=link.name,
        start_ms=int(beats.start_ms.min()),
        end_ms=int(beats.end_ms.max()),
        evidence=KeepaliveIrregular(
            destination=account.keepalive.destination,
            protocol=account.keepalive.protocol,
            interval_s=account.keepalive.interval_s,
            cadence_s=round(cadence_s, 2),
            keepalives=round(float(beats.count.sum())),
            destinations=probed_place(case, account.keepalive.destination),
        ),
        actions=wording.KEEPALIVE_SETTING,
    )


KIND: Final = Kind(
    code=CODE,
    page=10,
    find=find,
    evidence=KeepaliveIrregular,
)
