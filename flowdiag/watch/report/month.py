"""What the backups of a site carried in the calendar month so far, from roll-ups, against the allowance of their plans.

Facts the design follows:
- an allowance counts what crosses the line, so octets of both directions and of every kind count, keepalives too;
- a month is a local one of the site. When the carrier's own begins nobody has said: that is told as a limit;
- files without a roll-up, and days before the first record, are not known: what is known is the least that was used.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import Final

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from flowdiag.aggregator.counting import Decisions, InterfaceLinks, Tally, decide
from flowdiag.aggregator.site_flows import DOWN, UP
from flowdiag.buffers import numbers, one_chunk
from flowdiag.collector.store.backends import StorageBackend
from flowdiag.collector.store.finding import find_files
from flowdiag.collector.store.kept_rollups import find_kept_rollups
from flowdiag.durations import DAY_MS, HOUR_MS, MINUTE_MS
from flowdiag.rollup.minute_sums import MinuteSums, by_series, distinct, gather
from flowdiag.rollup.shape import REPEATED, RollUp
from flowdiag.rollup.stored import read_kept, read_rollups
from flowdiag.site.clock import LocalTime
from flowdiag.site.profile import Profile

GB: Final = 1e9  # octets, as allowances are sold
_COLUMNS: Final = ("domain", "minute", "ingress", "egress", "metered", "dscp", "octets", "flows")


class MonthUse(Struct, frozen=True):
    """Of one backup. octets: IP octets of both directions from begin_ms, the first moment of the local month, to end_ms;
    known_ms: when the records of the month begin; following_ms: when the next month does; day, days: of the month; whole: False
    where a part of the month is not known, so that it is the least that was used; sure: False where packets may have been
    counted twice."""

    link: int
    octets: int
    allowance_gb: float
    begin_ms: int
    known_ms: int
    end_ms: int
    following_ms: int
    day: int
    days: int
    whole: bool
    sure: bool

    @property
    def share(self) -> float:
        """Of the allowance; above 1 where it is used up."""
        return self.octets / (self.allowance_gb * GB)

    @property
    def used_up_ms(self) -> int | None:
        """When the allowance will be used up at the month's pace; None where it lasts, or is used up already."""
        if not 0 < self.share < 1:
            return None
        pace = self.octets / max(self.end_ms - self.known_ms, HOUR_MS)
        when = self.end_ms + round((self.allowance_gb * GB - self.octets) / pace)
        return when if when < self.following_ms else None


def month_use(backend: StorageBackend, profile: Profile, now_ms: int) -> tuple[MonthUse, ...]:
    """The backups that have an allowance, with what they carried; none where interfaces do not tell links apart. While
    backend.reading() is held. Raises StoreError."""
    limited = [
        number
        for number, link in enumerate(profile.link)
        if link.role == "backup" and link.allowance_gb is not None and link.interfaces
    ]
    if not limited:
        return ()
    begin_ms, following_ms, days, today = _month(profile.site.timezone, now_ms)
    exporters, span = profile.site.exporter_octets, (begin_ms, now_ms)
    files = find_files(backend, exporters, span)
    columns = {"minutes": _COLUMNS}
    rolled = [one.rollup for one in read_rollups(backend, files, ("minutes",), columns=columns)]
    gone = find_kept_rollups(backend, exporters, span, files)
    rolled += [read_kept(backend, one, ("minutes",), columns=columns) for day in gone for one in day.rollups]
    rollups = [rollup for rollup in rolled if rollup is not None]
    firsts = [rollup.facts.first_ms for rollup in rollups if rollup.facts.first_ms is not None]
    known_ms = min(max(min(firsts, default=now_ms), begin_ms), now_ms)
    known_days = {file.partition.day for file in files} | {day.partition.day for day in gone}
    whole = (
        None not in rolled
        and not any(day.without for day in gone)
        and known_days >= set(range(-(-begin_ms // DAY_MS), now_ms // DAY_MS))
    )
    sums, sources = _sums(rollups, begin_ms // MINUTE_MS, -(-now_ms // MINUTE_MS))
    tally = Tally(len(profile.link))
    for interfaces in (sums.ingress, sums.egress):
        tally.see(interfaces)
    any_told, sums = len(sums) > 0, _on(sums, limited, profile)
    _count(tally, sums, len(sources), profile)
    decisions = decide(tally, _Sources(sources), profile)
    if any_told and (decisions.by_inside or not decisions.links_apart):
        return ()
    repeated = any(REPEATED in rollup.facts.needs_flows for rollup in rollups)
    used = _used(sums, decisions, profile)
    return tuple(
        MonthUse(
            link=number,
            octets=round(used.octets[number]),
            allowance_gb=profile.link[number].allowance_gb or 0.0,
            begin_ms=begin_ms,
            known_ms=known_ms,
            end_ms=now_ms,
            following_ms=following_ms,
            day=today,
            days=days,
            whole=whole,
            sure=not repeated and used.sources[number] <= 1,
        )
        for number in limited
    )


def _month(timezone: str, now_ms: int) -> tuple[int, int, int, int]:
    """The first moments of the local month and the next, its days, and the day of it that it is."""
    now = LocalTime(timezone).local(now_ms)
    begin = datetime(now.year, now.month, 1, tzinfo=now.tzinfo)
    following = (begin + timedelta(days=32)).replace(day=1)
    first, last = (round(moment.timestamp() * 1000) for moment in (begin, following))
    return first, last, (following - timedelta(days=1)).day, now.day


class _Sources(Struct, frozen=True):
    sources: Sequence[tuple[bytes, int]]


class _Used(Struct, frozen=True, eq=False):
    """By link: octets, and how many sources report them in one direction, at most."""

    octets: NDArray[np.float64]
    sources: NDArray[np.int64]


def _sums(rollups: Sequence[RollUp], first: int, stop: int) -> tuple[MinuteSums, list[tuple[bytes, int]]]:
    """The minutes [first, stop) of roll-ups, and their sources."""
    known: dict[tuple[bytes, int], int] = {}
    for rollup in rollups:
        for domain in distinct(numbers(one_chunk(rollup.tables["minutes"]["domain"]))):
            known.setdefault((rollup.exporter, domain), len(known))
    sums = gather(rollups, known)
    return sums.at(np.flatnonzero((sums.minute >= first) & (sums.minute < stop))), list(known)


def _on(sums: MinuteSums, links: Sequence[int], profile: Profile) -> MinuteSums:
    """What is on some links: of a site's minutes the least part."""
    link_of = InterfaceLinks(profile).of
    on = np.isin(link_of(sums.ingress), links) | np.isin(link_of(sums.egress), links)
    return sums.at(np.flatnonzero(on))


def _count(tally: Tally, sums: MinuteSums, sources: int, profile: Profile) -> None:
    """Takes into a tally what decides at which metering point a packet counts: octets alone, which are the same on both sides
    of a translation."""
    tally.grow(sources)
    link_of = InterfaceLinks(profile).of
    for direction, interfaces in ((DOWN, sums.ingress), (UP, sums.egress)):
        link = link_of(interfaces)
        rows = np.flatnonzero(link >= 0)
        cell = (sums.source[rows], link[rows], np.intp(direction), sums.metered[rows])
        np.add.at(tally.records, cell, sums.amounts["flows"][rows])
        np.add.at(tally.octets, cell, sums.amounts["octets"][rows])


def _used(sums: MinuteSums, decisions: Decisions, profile: Profile) -> _Used:
    used = _Used(np.zeros(len(profile.link)), np.zeros(len(profile.link), np.int64))
    for series, counted, _ in by_series(sums, decisions, profile):
        link = series // 2
        used.octets[link] += sums.amounts["octets"][counted].sum()
        used.sources[link] = max(used.sources[link], len(distinct(sums.source[counted])))
    return used
