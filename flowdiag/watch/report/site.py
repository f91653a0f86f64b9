"""What the morning list says of one site: in a worker process, from store, profile and time alone.

Facts the design follows:
- what goes on is told by a look at the last hour, what leaked or began earlier by a look at the last day (watch/look.py);
- a backup that carries its site answers for itself: missing keepalives say nothing against it then;
- keepalives and stays are found without any rate of a plan; where the profile lacks one, a rate stands in that nothing reaches.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final, get_args

from msgspec import Struct

from flowdiag.collector.store.asking import asked_again
from flowdiag.collector.store.opening import open_backend
from flowdiag.durations import DAY_MS, MINUTE_MS
from flowdiag.errors import FlowdiagError
from flowdiag.site.profile import MAX_MBPS, Profile
from flowdiag.text.clock import Clock
from flowdiag.text.wording.watch import morning as wording
from flowdiag.watch.look import look, look_at_day
from flowdiag.watch.report.month import MonthUse, month_use
from flowdiag.watch.report.reasons import (
    GRAVEST_FIRST,
    Allowance,
    Code,
    ListedSite,
    Reason,
    Unsure,
    UnsureSite,
)
from flowdiag.watch.report.sites import ReportSite
from flowdiag.watch.state import DayState, Mark, SiteState

# Part of an allowance from which on it is nearly used. Carriers warn at about that part. (Common practice, no source.)
NEARLY_USED: Final = 0.8
# So is one that is used up within so many days at the month's pace, once this part is used: one failover of a month that
# has just begun makes no pace.
SOON_MS: Final = 3 * DAY_MS
PACE_FROM: Final = 0.5
# Of a leak the day's figures are told; of these findings what goes on.
_OF_NOW: Final[frozenset[str]] = frozenset(
    {"outage", "keepalive-unanswered", "keepalive-missing", "flapping", "on-backup"}
)
_FOUND: Final = _OF_NOW | {"backup-leak"}
_TESTS: Final[frozenset[str]] = frozenset({"keepalive-unanswered", "keepalive-missing"})
_CODES: Final[frozenset[str]] = frozenset(get_args(Code))


class SiteTask(Struct, frozen=True):
    """What a worker needs to know. store: its place."""

    store: str
    site: ReportSite
    now_ms: int


class Well(Struct, frozen=True):
    """Nothing speaks against the site's backup. has_backup: whether there is one."""

    has_backup: bool


Said = ListedSite | UnsureSite | Well


class _Seen(Struct, frozen=True):
    """What is known of a site. now: as of the list's time; day: None where there are no newer records than a day."""

    profile: Profile
    now_ms: int
    now: SiteState
    day: DayState
    month: tuple[MonthUse, ...]

    @property
    def clock(self) -> Clock:
        return Clock(self.profile.site.timezone)


def said_of(task: SiteTask) -> Said:
    """Raises nothing that is the site's alone: what cannot be used is said of the site."""
    site, profile = task.site, task.site.profile
    if profile is None:
        return _unsure(site, "unusable", site.fault)
    backups = [link for link in profile.link if link.role == "backup"]
    if not backups:
        return Well(has_backup=False)
    try:
        seen = _look(task.store, profile, task.now_ms)
    except FlowdiagError as error:
        return _unsure(site, "unusable", str(error))
    reasons = sorted(_reasons(seen), key=lambda reason: GRAVEST_FIRST.index(reason.code))
    if reasons:
        return ListedSite(site.place, site.name, site.client, profile.site.timezone, tuple(reasons))
    why = _why_unsure(seen)
    return Well(has_backup=True) if why is None else _unsure(site, why, wording.UNSURE[why])


def _unsure(site: ReportSite, why: Unsure, said: str) -> UnsureSite:
    return UnsureSite(site.place, site.name, site.client, why, said)


def _look(store: str, profile: Profile, now_ms: int) -> _Seen:
    rated = _with_rates(profile)
    looked, day = look(store, rated, now_ms, only=_FOUND), look_at_day(store, rated, now_ms, only=_FOUND)
    state = SiteState() if looked is None else looked.state.at(now_ms)
    return _Seen(
        profile=profile,
        now_ms=now_ms,
        now=state,
        day=DayState(now_ms, now_ms) if day is None else day.day,
        month=_month(store, profile, now_ms),
    )


@asked_again
def _month(store: str, profile: Profile, now_ms: int) -> tuple[MonthUse, ...]:
    backend = open_backend(store)
    with backend.reading():
        return month_use(backend, profile, now_ms)


def _with_rates(profile: Profile) -> Profile:
    """The profile with a rate that nothing reaches where it has none: no reason of the list depends on it."""
    if not profile.without_plan():
        return profile
    links = [
        link.model_copy(
            update={
                "given_down_mbps": link.given_down_mbps or MAX_MBPS,
                "given_up_mbps": link.given_up_mbps or MAX_MBPS,
            }
        )
        for link in profile.link
    ]
    return profile.model_copy(update={"link": links})


def _reasons(seen: _Seen) -> Iterator[Reason]:
    if seen.now.on == "unheard" and seen.now.heard_ms is not None:
        yield _not_heard(seen, seen.now.heard_ms)
    for mark in _marks(seen):
        yield _of_mark(seen, mark)
    for use in seen.month:
        if _is_nearly_used(use):
            yield _of_allowance(seen, use)
    for number, way in seen.profile.without_plan():
        link = seen.profile.link[number]
        if link.role == "backup" and (way == 0 or link.given_down_mbps is not None):  # once a link
            what, client = wording.plan_unknown(link.name)
            yield Reason("backup-plan-unknown", link.name, None, False, "high", what, client)


def _marks(seen: _Seen) -> list[Mark]:
    """The findings that make a reason, each matter once, as it is known for the longest time."""
    backups = {link.name for link in seen.profile.link if link.role == "backup"}
    now = [mark for mark in seen.now.ongoing if mark.code in _OF_NOW]
    # Marks of the day end with its records, and may have gone on only if they are found now too.
    leaks = [mark for mark in (*seen.day.marks, *seen.now.ongoing) if mark.code == "backup-leak"]
    known: dict[tuple[str, str | None], Mark] = {}
    for mark in (*now, *leaks):
        if seen.now.on == "unheard" and mark.code in _OF_NOW:
            continue
        if mark.code in _TESTS and (mark.link not in backups or seen.now.on == "backup"):
            continue
        key = (mark.code, mark.link)
        known[key] = min(
            (known.get(key, mark), _of_day(seen.day, mark) or mark), key=lambda one: one.began_ms
        )
    return list(known.values())


def _of_day(day: DayState, mark: Mark) -> Mark | None:
    """The same matter as the day knows it, where it goes on there too."""
    found = [
        one
        for one in day.marks
        if (one.code, one.link) == (mark.code, mark.link)
        and (one.ended_ms is None or one.ended_ms >= mark.began_ms - MINUTE_MS)
    ]
    return min(found, key=lambda one: one.began_ms, default=None)


def _of_mark(seen: _Seen, mark: Mark) -> Reason:
    assert mark.code in _CODES
    code: Code = mark.code  # type: ignore[assignment]
    what = mark.summary
    if code == "backup-leak":
        what = " ".join([what, mark.who, *(_carried(seen, mark))]).replace("  ", " ")
    return Reason(
        code=code,
        link=mark.link,
        since_ms=mark.began_ms,
        before=mark.before,
        confidence=mark.confidence,
        what=what,
        client=mark.client,
        ended_ms=mark.ended_ms,
    )


def _carried(seen: _Seen, leak: Mark) -> Iterator[str]:
    """What the leak's backup carried in the month: never less than the leak that stands beside it."""
    leaked = leak.octets or 0
    for use in seen.month:
        if seen.profile.link[use.link].name != leak.link:
            continue
        if use.octets >= leaked:
            yield wording.carried_meanwhile(use.octets, least=not use.whole)
        elif leak.began_ms >= use.begin_ms:  # the month's records, or roll-ups, are not all there
            yield wording.carried_meanwhile(leaked, least=True)


def _not_heard(seen: _Seen, heard_ms: int) -> Reason:
    words = wording.since(seen.clock, heard_ms, seen.now_ms, before=False)
    what, client = wording.not_heard(words)
    return Reason("not-heard", None, heard_ms, False, "high", what, client)


def _is_nearly_used(use: MonthUse) -> bool:
    if use.share >= NEARLY_USED:
        return True
    when = use.used_up_ms
    return use.share >= PACE_FROM and when is not None and when - use.end_ms <= SOON_MS


def _of_allowance(seen: _Seen, use: MonthUse) -> Reason:
    clock, link = seen.clock, seen.profile.link[use.link].name
    used_up = None
    if use.used_up_ms is not None:
        today = clock.same_day(use.end_ms, use.used_up_ms)
        used_up = wording.TODAY if today else wording.on_day(clock.short_day(use.used_up_ms))
    least = not use.whole
    what, client = wording.allowance(
        link, use.octets, use.allowance_gb, (use.day, use.days), used_up, least=least
    )
    if use.known_ms >= use.begin_ms + DAY_MS:
        what += f" {wording.known_from(clock, use.known_ms)}"
    if not use.sure:
        what += f" {wording.COUNTED_TWICE}"
    known = Allowance(use.octets, use.allowance_gb, use.share, use.day, use.days, use.used_up_ms, least)
    return Reason(
        code="allowance-used-up" if use.share >= 1.0 else "allowance-nearly-used",
        link=link,
        since_ms=None,
        before=False,
        confidence="high" if use.sure else "medium",
        what=what,
        client=client,
        allowance=known,
    )


def _why_unsure(seen: _Seen) -> Unsure | None:
    """Why nobody can tell of a site with nothing against its backup; None where its backup is tested, or was used."""
    if seen.now.heard_ms is None:
        return "no-records"
    if seen.now.on == "unknown":
        return "links"
    backups = [link for link in seen.profile.link if link.role == "backup"]
    used = any(spell.on == "backup" for spell in seen.day.spells) or seen.now.on == "backup"
    if not used and not any(link.keepalive for link in backups):
        return "no-keepalives"
    return None
