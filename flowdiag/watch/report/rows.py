"""The rows of a morning list as its formats show them: one for each reason of each site, in words."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator

from msgspec import Struct

from flowdiag.text.action import Action
from flowdiag.text.clock import Clock
from flowdiag.text.wording.watch import morning as wording
from flowdiag.watch.report.reasons import SURE_LAST, Acknowledged, ListedSite, MorningList, Reason


class Row(Struct, frozen=True):
    """number: of the site on the list; since: empty where there is no such time; say: to the client, empty where nobody is to
    call; known: by whom it is acknowledged, or empty."""

    number: int
    site: ListedSite
    reason: Reason
    kind: str
    since: str
    sure: str
    actions: tuple[str, ...]
    say: str
    known: str


def rows(morning: MorningList) -> Iterator[Row]:
    collector = morning.nobody_heard_ms is not None
    for number, site in enumerate(morning.listed, 1):
        clock = Clock(site.timezone)
        for reason in site.reasons:
            since = ""
            if reason.since_ms is not None:
                since = wording.since(clock, reason.since_ms, morning.now_ms, before=reason.before)
                if reason.ended_ms is not None:
                    since = wording.span(clock, reason.since_ms, reason.ended_ms, morning.now_ms)
            yield Row(
                number=number,
                site=site,
                reason=reason,
                kind=wording.reason(reason.code),
                since=since,
                sure=wording.SURE[reason.confidence],
                actions=tuple(map(wording.action, steps(reason, collector=collector))),
                say=to_client(reason, collector=collector),
                known=_known(reason.acknowledged, clock, morning.now_ms),
            )


def steps(reason: Reason, *, collector: bool) -> tuple[Action, ...]:
    """What is to be done. collector: whether it, and not the site, is why nothing is heard."""
    return wording.COLLECTOR if collector and reason.code == "not-heard" else wording.ACTIONS[reason.code]


def to_client(reason: Reason, *, collector: bool) -> str:
    """What to say on the phone; empty where nobody is to call. collector: as of steps()."""
    return "" if collector and reason.code == "not-heard" else reason.client


def nobody_heard(morning: MorningList) -> str:
    """What stands on top where no site is heard; else empty."""
    ms = morning.nobody_heard_ms
    if ms is None:
        return ""
    return wording.nobody_heard(
        len(morning.listed), wording.since(Clock("UTC"), ms, morning.now_ms, before=False)
    )


def _known(known: Acknowledged | None, clock: Clock, now_ms: int) -> str:
    if known is None:
        return ""
    until = None if known.until_ms is None else wording.moment(clock, known.until_ms, now_ms)
    return wording.acknowledged(known.by, known.reason, until, muted=known.muted)


def summary(morning: MorningList) -> str:
    return wording.summary(
        morning.sites, len(morning.listed), morning.well, len(morning.unsure), morning.without_backup
    )


def unsure_counts(morning: MorningList) -> list[str]:
    """For how many sites nobody can tell, and why."""
    counts = Counter(one.why for one in morning.unsure)
    return [wording.more_unsure(why, counts[why]) for why in SURE_LAST if counts[why]]
