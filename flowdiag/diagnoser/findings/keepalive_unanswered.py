"""Keepalives go out on the backup and no replies come back.

Means: the backup is up as far as the router's own port, and dead beyond it: no signal, a blocked account,
a used-up allowance, or a destination that no longer answers.

Decided: requests and replies of each keepalive are laid out in time (see keepalive-missing). A time
without replies that is three intervals and a minute long, in which requests went out, is reported with its
times. Where replies never stop for that long but under half of at least twenty requests were answered, the
whole time is reported.
A path that loses a part p of its replies at other times loses n in a row by chance about N p^n times among
N; a run that is not under one in a thousand is left out.

Thresholds: keepalive_missing_intervals, 3. Half of the replies and twenty requests: common practice, no
source.

Fooled by: an exporter that shows one direction only; where no download is seen on any link, nothing is
said, and where none is seen on this one, the confidence is lower. Replies that return by another link
count as replies. Lost records as with keepalive-missing.

Do: a field engineer checks the backup's signal and account; the helpdesk checks that the destination still
answers.

Limits: cannot tell a dead link from a dead destination; a second keepalive destination would.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Final

import numpy as np

from flowdiag.aggregator.site_flows import DOWN
from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.evidence import Destinations, Evidence, Interval, Key, Probed, ProbeProtocol
from flowdiag.diagnoser.finding import Confidence, Finding
from flowdiag.diagnoser.kind import Kind, Rank
from flowdiag.diagnoser.signals.conversations import sees_downloads
from flowdiag.diagnoser.signals.keepalives import Account, Gap, accounts, beats_in, probed_place, silences
from flowdiag.text.sentences import backup as wording

CODE: Final = "keepalive-unanswered"


@dataclass(frozen=True, eq=False)
class KeepaliveUnanswered(Evidence):
    destination: Probed
    protocol: ProbeProtocol
    interval_s: Interval
    requests: Annotated[int, Key("keepalives sent in that time", "requests")]
    replies: Annotated[int, Key("answers to them", "replies")]
    unanswered_s: Annotated[float, Key("how long none was answered", "unanswered for")]
    destinations: Destinations


# On a sampled export, and for a share at all, fewer requests than this prove nothing.
LEAST_REQUESTS: Final = 3
LEAST_FOR_SHARE: Final = 20
ANSWERED_SHARE: Final = 0.5
# How often a run of lost replies may come by chance in the whole export and still be reported.
CHANCE: Final = 1e-3


def find(case: Case) -> list[Finding]:
    if not case.coverage.links_apart or not sees_downloads(case.flows):
        return []
    found = []
    for account in accounts(case):
        if account.requests.records:
            found += [_finding(case, account, gap) for gap in _unanswered(case, account)]
    return found


def _unanswered(case: Case, account: Account) -> list[Gap]:
    requests = account.requests
    first, last = int(requests.start_ms[0]), int(requests.end_ms.max())
    gaps = []
    for gap in silences(case, account, (account.replies, account.replies_elsewhere)):
        sent = (requests.end_ms >= gap.start_ms) & (requests.start_ms < gap.end_ms)
        if beats_in(requests, gap) < LEAST_REQUESTS * case.coverage.sampling or not sent.any():
            continue
        # Requests may have begun or stopped within the gap; where none went out, none could be answered.
        begin = max(gap.start_ms, int(requests.start_ms[sent].min()))
        end = min(gap.end_ms, int(requests.end_ms[sent].max() + account.interval_ms))
        unanswered = Gap(begin, end)
        if end - begin >= account.least_ms(case) and not _may_be_chance(case, account, unanswered):
            gaps.append(unanswered)
    sent_all = float(requests.count.sum())
    back_all = float(account.replies.count.sum() + account.replies_elsewhere.count.sum())
    enough = LEAST_FOR_SHARE * case.coverage.sampling
    if not gaps and sent_all >= enough and back_all < ANSWERED_SHARE * sent_all:
        gaps.append(Gap(first, last))
    return gaps


def _may_be_chance(case: Case, account: Account, gap: Gap) -> bool:
    """Whether a path that loses as many replies at other times loses this many in a row now and then."""
    missed = beats_in(account.requests, gap) / case.coverage.sampling
    sent = float(account.requests.count.sum()) / case.coverage.sampling - missed
    back = float(account.replies.count.sum() + account.replies_elsewhere.count.sum()) / case.coverage.sampling
    if sent < LEAST_FOR_SHARE or back == 0.0:
        return False
    lost = max(1.0 - back / sent, 1.0 / sent)
    return bool(sent * lost**missed > CHANCE)


def _finding(case: Case, account: Account, gap: Gap) -> Finding:
    link = case.profile.link[account.link]
    shows_downloads = bool(np.any((case.flows.link == account.link) & (case.flows.direction == DOWN)))
    confidence: Confidence = "high" if shows_downloads else "medium"
    if case.coverage.sampling > 1:
        confidence = "low"
    sent, back = round(beats_in(account.requests, gap)), round(beats_in(account.replies, gap))
    summary, client = wording.keepalive_unanswered(case, link.name, account.keepalive, gap, sent, back)
    return Finding(
        code=CODE,
        severity="warning",
        confidence=confidence,
        summary=summary,
        client=client,
        link=link.name,
        start_ms=gap.start_ms,
        end_ms=gap.end_ms,
        evidence=KeepaliveUnanswered(
            destination=account.keepalive.destination,
            protocol=account.keepalive.protocol,
            interval_s=account.keepalive.interval_s,
            requests=sent,
            replies=back,
            unanswered_s=round(gap.length_ms / 1000, 1),
            destinations=probed_place(case, account.keepalive.destination),
        ),
        actions=wording.BACKUP_DEAD,
        doubts=() if shows_downloads else (wording.NO_DOWNLOADS_HERE,),
    )


KIND: Final = Kind(
    code=CODE,
    page=8,
    find=find,
    evidence=KeepaliveUnanswered,
    ranks=(Rank(220, audit=True),),
    means="This slows nothing down while the main line works. It matters on the day that it fails.",
    next_step=(
        "We check the backup line, its account and its signal, have it repaired if it is dead, and "
        "try it out with you before it is needed."
    ),
)
