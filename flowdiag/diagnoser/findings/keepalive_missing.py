"""No keepalive was seen on the backup for several intervals while the exporter was alive.

Means: the backup may be dead without anyone knowing. The primary works, so nobody complains; on the day it
fails the site would have nothing. Where the keepalives left by another link, the backup has not been
tested at all.

Decided: the records that run to or from the keepalive's destination by its protocol and port, on the link
that the profile puts it on, are laid out in time; a record of n packets stands for n keepalives spread
over its time. A time without any is a gap from the first keepalive that was due. A gap counts when it is
three intervals long, and at least a minute, within time that the exporter was heard in. At both ends of
the export as much time is disregarded as one record may cover, since a record still open is not exported
yet.

Thresholds: keepalive_missing_intervals, 3 (three missed hellos mean down: common practice). One minute at
least, so that a blink of a cellular link is no alarm (common practice, no source). On a sampled export as
many intervals as would show twelve packets on average, since absence of a sampled packet proves nothing
(chance of none: e^-12).

Fooled by: a router that does not meter its own packets (nothing is ever seen, and it looks like this: the
confidence is lower when the backup never shows a keepalive). Records lost on the way to the collector: a
gap that one or two lost records explain is not reported, nor what a restart of the exporter took with it.

Do: a field engineer or the helpdesk tests the backup on purpose and looks at the router's own view of it.

Limits: a host name as destination is never seen in a record and is not judged. Shorter silences than a
minute are not reported.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Final

from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.evidence import Destinations, Evidence, Interval, Key, Probed, ProbeProtocol
from flowdiag.diagnoser.finding import Confidence, Finding
from flowdiag.diagnoser.kind import Kind, Rank
from flowdiag.diagnoser.signals.keepalives import (
    Account,
    Gap,
    accounts,
    beats_in,
    mapped_address,
    probed_place,
    silences,
)
from flowdiag.text.sentences import backup as wording

CODE: Final = "keepalive-missing"


@dataclass(frozen=True, eq=False)
class KeepaliveMissing(Evidence):
    destination: Probed
    protocol: ProbeProtocol
    interval_s: Interval
    missing_s: Annotated[float, Key("how long none was seen", "missing for")]
    intervals_missed: Annotated[int, Key("intervals that fit into that time", "intervals missed")]
    seen_at_all: Annotated[bool, Key("whether one was seen at another time", "seen at other times")]
    packets_by_other_links: Annotated[
        int, Key("keepalives that left by other links meanwhile", "packets by other links", zero=False)
    ]
    other_links: Annotated[list[str], Key("names of these links", "other links")]
    destinations: Destinations


def find(case: Case) -> list[Finding]:
    if not case.coverage.links_apart:
        return []
    found = []
    for account in accounts(case):
        if mapped_address(account.keepalive.destination) is None:
            continue
        gaps = silences(case, account, (account.requests, account.replies))
        found += [_finding(case, account, gap) for gap in gaps]
    return found


def _finding(case: Case, account: Account, gap: Gap) -> Finding:
    link = case.profile.link[account.link]
    seen = account.requests.records + account.replies.records
    strayed = round(beats_in(account.elsewhere, gap))
    by = [case.profile.link[i].name for i in account.elsewhere_links] if strayed else []
    never = seen == 0
    # A router that never shows its own packets on any link may simply not meter them.
    confidence: Confidence = "medium" if never and not by else "high"
    if case.coverage.sampling > 1:
        confidence = "low"
    doubts = (wording.NOT_METERED,) if never and not by else ()
    summary, client = wording.keepalive_missing(case, link.name, account.keepalive, gap, by, never)
    return Finding(
        code=CODE,
        severity="warning",
        confidence=confidence,
        summary=summary,
        client=client,
        link=link.name,
        direction=None,
        start_ms=gap.start_ms,
        end_ms=gap.end_ms,
        evidence=KeepaliveMissing(
            destination=account.keepalive.destination,
            protocol=account.keepalive.protocol,
            interval_s=account.keepalive.interval_s,
            missing_s=round(gap.length_ms / 1000, 1),
            intervals_missed=int(gap.length_ms / account.interval_ms),
            seen_at_all=not never,
            packets_by_other_links=strayed,
            other_links=by,
            destinations=probed_place(case, account.keepalive.destination),
        ),
        actions=wording.BACKUP_TEST,
        doubts=doubts,
    )


KIND: Final = Kind(
    code=CODE,
    page=7,
    find=find,
    evidence=KeepaliveMissing,
    ranks=(Rank(210, audit=True),),
    means="This slows nothing down while the main line works. It matters on the day that it fails.",
    next_step=(
        "We check the backup line and how it is tested, and agree a time with you to try it out "
        "before it is needed."
    ),
)
