"""Site-days out of roll-ups: many days at once, each as its flows would have it, and which days need their flows.

Facts the design follows:
- the minutes of all days are laid one behind the other, so that they are summed up in one step; each day has its own part
  of the line, since minutes around midnight are told by two days;
- stays on the backup, leaks and missing keepalives are for flows to tell. Where a backup carried no more than its keepalives
  and no less, there are none: sums say so (rollup/looking.py).
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
from msgspec import Struct
from msgspec.structs import replace
from numpy.typing import NDArray

from flowdiag.collector.report import ExportReport
from flowdiag.diagnoser.signals.failovers import LEAST_OCTETS
from flowdiag.diagnoser.signals.link_states import backups, primaries
from flowdiag.diagnoser.signals.silences import silences_in
from flowdiag.durations import DAY_MS, MINUTE_MS
from flowdiag.review.partial import SLOT_MINUTES, SitePartial, nothing
from flowdiag.review.rolled_counting import (
    Decided,
    HostRows,
    Hosts,
    Sources,
    decided,
    gather_hosts,
    number_sources,
)
from flowdiag.review.site_day import HOST_OCTETS, REACH_MS
from flowdiag.review.talkers import Carried, Talkers, named
from flowdiag.rollup.looking import beyond_keepalives, keepalive_octets, keepalives_missed
from flowdiag.rollup.minute_sums import MinuteSums, by_series, gather
from flowdiag.rollup.shape import AMOUNTS, POINT, RollUp
from flowdiag.site.profile import Profile

# The tables of a roll-up that are read, and of them the columns.
NEEDED: Final = {
    "minutes": ("minute", *POINT, "dscp", *AMOUNTS),
    "hosts": ("hour", *POINT, "end", "address", *AMOUNTS),
    "folded": ("hour", "kind", *POINT, "scope", *AMOUNTS, "error"),
}
_DAY: Final = DAY_MS // MINUTE_MS
_REACH: Final = REACH_MS // MINUTE_MS


class RolledDay(Struct, frozen=True, eq=False):
    """The roll-ups of all files of a UTC day (days since 1970), with the tables NEEDED; report: what they say of the files;
    gone: the flows of some cannot be read any more."""

    day: int
    rollups: tuple[RollUp, ...]
    report: ExportReport
    gone: bool = False


class _Line(Struct, frozen=True, eq=False):
    """Minutes of all days one behind the other. first: of each day, minutes since 1970; begin: where it stands on the line;
    length: minutes of it, whole slots; heard: on the line, messages of the exporter.
    """

    first: NDArray[np.int64]
    begin: NDArray[np.int64]
    length: NDArray[np.int64]
    heard: NDArray[np.bool_]
    lost_records: list[int]

    def slices(self) -> list[slice]:
        ends = (self.begin + self.length).tolist()
        return [slice(begin, end) for begin, end in zip(self.begin.tolist(), ends, strict=True)]


def rolled_days(days: Sequence[RolledDay], profile: Profile) -> list[tuple[SitePartial, bool]]:
    """The partial of each day, and whether its flows would tell more. profile: of counting_profile()."""
    if not days:
        return []
    rollups = [day.rollups for day in days]
    sources = number_sources(rollups)
    sums, day_of = _sums(rollups, sources)
    line = _line(days, sums, day_of, profile)
    place = line.begin[day_of] + sums.minute - line.first[day_of]
    inside = np.flatnonzero((place >= line.begin[day_of]) & (place < (line.begin + line.length)[day_of]))
    hosts = gather_hosts(rollups, sources, profile)
    counted = decided(sums, hosts, sources, profile, len(days))
    wire, octets, packets = _carried(
        replace(sums.at(inside), minute=place[inside]), counted, profile, int(line.length.sum())
    )
    alive = line.heard.copy()
    alive[place[inside]] = True
    found = _partials(days, line, (wire, octets), alive, _records(days, counted))
    talkers = _talkers(hosts, counted)
    most = _most_hosts(hosts, counted, len(days), primaries(profile))
    found = [
        replace(partial, talkers=talkers.between(24 * day.day, 24 * day.day + 24), hosts=count)
        for partial, day, count in zip(found, days, most, strict=True)
    ]
    suspect = _suspect(days, line, octets, packets, alive, profile)
    return [
        (partial, bool(why) or number in suspect)
        for number, (partial, why) in enumerate(zip(found, counted.left, strict=True))
    ]


def _sums(days: Sequence[tuple[RollUp, ...]], sources: Sources) -> tuple[MinuteSums, NDArray[np.int64]]:
    """The minutes of all days with the sources' numbers, and each row's day."""
    flat = [rollup for rollups in days for rollup in rollups]
    first = sources.sources[: sources.a_day]
    sums = gather(flat, {(exporter[4:], domain): number for number, (exporter, domain) in enumerate(first)})
    counts = [rollup.tables["minutes"].num_rows for rollup in flat]
    numbers = [number for number, rollups in enumerate(days) for _ in rollups]
    day_of = np.repeat(numbers, counts).astype(np.int64)
    return replace(sums, source=sums.source + day_of * sources.a_day), day_of


def _line(days: Sequence[RolledDay], sums: MinuteSums, day_of: NDArray[np.int64], profile: Profile) -> _Line:
    midnight = np.array([day.day for day in days], np.int64) * _DAY
    first, last = midnight.copy(), midnight + _DAY - 1
    np.minimum.at(first, day_of, sums.minute)
    np.maximum.at(last, day_of, sums.minute)
    heard, lost = [], []
    for number, day in enumerate(days):
        minutes, records = _told(day)
        near = minutes[(minutes >= first[number] - _DAY) & (minutes <= last[number] + _DAY)]
        if len(near):
            first[number], last[number] = min(first[number], near[0]), max(last[number], near[-1])
        heard.append(near)
        lost.append(records)
    first = np.maximum(first, midnight - _REACH) // SLOT_MINUTES * SLOT_MINUTES
    last = np.minimum(last, midnight + 2 * _DAY - 1)
    length = -(-(last + 1 - first) // SLOT_MINUTES) * SLOT_MINUTES
    begin = np.cumsum(length) - length
    on_line = np.zeros(int(length.sum()), np.bool_)
    for number, minutes in enumerate(heard):
        at = minutes - first[number]
        on_line[begin[number] + at[(at >= 0) & (at < length[number])]] = True
    return _Line(first, begin, length, on_line, lost)


def _told(day: RolledDay) -> tuple[NDArray[np.int64], int]:
    """The minutes (since 1970) with messages of the exporters of a day, ascending, and the records that were lost."""
    minutes = [np.fromiter(own, np.int64, len(own)) for own in day.report.heard_minutes.values()]
    lost = sum(session.lost_records for session in day.report.sessions)
    return np.unique(np.concatenate([np.zeros(0, np.int64), *minutes])), lost


def _carried(
    sums: MinuteSums, counted: Decided, profile: Profile, minutes: int
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Octets with framing, octets of IP and packets, [series, minute of the line]. sums: by minute of the line."""
    wire, octets, packets = (np.zeros((2 * len(profile.link), minutes)) for _ in range(3))
    for series, rows, _ in by_series(sums, counted.decisions, profile):
        own = sums.at(rows)
        for total, values in (
            (wire, own.wire(profile.link[series // 2])),
            (octets, own.amounts["octets"]),
            (packets, own.amounts["packets"]),
        ):
            total[series] = np.bincount(own.minute, values, minutes)
    return wire, octets, packets


def _records(days: Sequence[RolledDay], counted: Decided) -> list[int]:
    """Records of each day that count."""
    facts = [[rollup.facts for rollup in day.rollups] for day in days]
    rows = [sum(fact.rows - fact.untimed - fact.not_ip for fact in own) for own in facts]
    return [own - repeated for own, repeated in zip(rows, counted.repeated.tolist(), strict=True)]


def _partials(
    days: Sequence[RolledDay],
    line: _Line,
    sums: tuple[NDArray[np.float64], NDArray[np.float64]],
    alive: NDArray[np.bool_],
    records: Sequence[int],
) -> list[SitePartial]:
    """sums: octets with framing and of IP, [series, minute of the line]."""
    links = len(sums[0]) // 2
    wire = np.rint(sums[0]).astype(np.uint64).reshape(links, 2, -1)
    octets = np.rint(sums[1].reshape(links, 2, -1, SLOT_MINUTES).sum(axis=(1, 3))).astype(np.uint64)
    found = []
    for number, (day, here) in enumerate(zip(days, line.slices(), strict=True)):
        slots = slice(here.start // SLOT_MINUTES, here.stop // SLOT_MINUTES)
        partial = SitePartial(
            start_ms=int(line.first[number]) * MINUTE_MS,
            wire_octets=wire[:, :, here],
            covered=_covered(alive[here], int(line.first[number]), day.day * _DAY),
            ip_octets=octets[:, slots],
            leaked=np.zeros_like(octets[:, slots]),
            talkers=nothing(links).talkers,
            records=records[number],
            lost_records=line.lost_records[number],
        )
        found.append(partial if alive[here].any() else nothing(links))
    return found


def _covered(alive: NDArray[np.bool_], first: int, midnight: int) -> NDArray[np.bool_]:
    """As site_day.py has it: the day's own minutes but for silences that are none of the exporter's habit."""
    covered = alive.copy()
    own = slice(midnight - first, midnight - first + _DAY)
    if not alive[own].all():
        covered[own] = True
        there = np.flatnonzero(alive)
        # As far as there are signs of life.
        begin, stop = (int(there[0]), int(there[-1]) + 1) if len(there) else (0, 0)
        window = midnight * MINUTE_MS, midnight * MINUTE_MS + DAY_MS
        start = (first + begin) * MINUTE_MS
        for silence in silences_in(alive[begin:stop], start, MINUTE_MS, window, window_given=True):
            covered[
                max(silence.start_ms // MINUTE_MS - first, 0) : max(silence.end_ms // MINUTE_MS - first, 0)
            ] = False
    return covered


def _talkers(hosts: Hosts, counted: Decided) -> Talkers:
    """Of all days: each hour is in the roll-ups of one."""
    own, *_ = whole = [
        rows.at(np.flatnonzero(_counts(rows, counted)))
        for rows in (hosts.inside, hosts.outside, hosts.folded)
    ]
    known = own.at(np.flatnonzero(own.host >= 0))
    return named(
        Carried(known.hour, known.series, known.wire, known.host),
        Carried(
            np.concatenate([part.hour for part in whole]),
            np.concatenate([part.series for part in whole]),
            np.concatenate([part.wire for part in whole]) / 2,
            error=np.concatenate([part.error for part in whole]),
        ),
        hosts.addresses,
    )


def _counts(rows: HostRows, counted: Decided) -> NDArray[np.bool_]:
    counts: NDArray[np.bool_] = counted.decisions.counts[rows.source, rows.link, rows.direction, rows.metered]
    return counts


def _most_hosts(hosts: Hosts, counted: Decided, days: int, links: list[int]) -> list[int]:
    """Of each day, the hosts with at least HOST_OCTETS on some links."""
    rows = hosts.inside
    rows = rows.at(np.flatnonzero(_counts(rows, counted) & np.isin(rows.link, links) & (rows.host >= 0)))
    pool = max(len(hosts.addresses), 1)
    octets = np.bincount(rows.day * pool + rows.host, rows.octets, days * pool).reshape(days, pool)
    most: list[int] = np.count_nonzero(octets >= HOST_OCTETS, axis=1).tolist()
    return most


def _suspect(
    days: Sequence[RolledDay],
    line: _Line,
    octets: NDArray[np.float64],
    packets: NDArray[np.float64],
    alive: NDArray[np.bool_],
    profile: Profile,
) -> set[int]:
    """The numbers of the days on which a backup carried more or less than its keepalives."""
    links = backups(profile)
    if not links or not primaries(profile):
        return set()
    first = int(line.first.min())
    length = int((line.first + line.length).max()) - first
    whole = [np.zeros((2 * len(profile.link), length)) for _ in range(2)]
    heard = np.zeros(length, np.bool_)
    for day, begin, here in zip(days, (line.first - first).tolist(), line.slices(), strict=True):
        there = slice(begin, begin + here.stop - here.start)
        for total, values in zip(whole, (octets, packets), strict=True):
            total[:, there] += values[:, here]
        own = slice(day.day * _DAY - first, (day.day + 1) * _DAY - first)
        heard[own] |= alive[here][own.start - begin : own.stop - begin]
    heard &= ~_not_all_told(days, first, length)
    marked, suspect = np.zeros(length, np.bool_), set()
    for number in links:
        link = profile.link[number]
        both = slice(2 * number, 2 * number + 2)
        marked |= beyond_keepalives(link, whole[0][both])
        marked |= keepalives_missed(link, whole[1][both], heard, profile).all(axis=0)
        explained = 2 * keepalive_octets(link) * _DAY
        suspect |= {
            day
            for day, here in enumerate(line.slices())
            if octets[both, here].sum() > explained + LEAST_OCTETS
        }
    begins = (line.first - first).tolist()
    return suspect | {
        day
        for day, (begin, own) in enumerate(zip(begins, line.length.tolist(), strict=True))
        if marked[begin : begin + own].any()
    }


def _not_all_told(days: Sequence[RolledDay], first: int, length: int) -> NDArray[np.bool_]:
    """Minutes at the end of days without the next one: records that were open then are the next day's."""
    open_still = np.zeros(length, np.bool_)
    known = {day.day for day in days}
    for day in days:
        if day.day + 1 not in known:
            longest = max(rollup.facts.longest_ms for rollup in day.rollups)
            end = (day.day + 1) * _DAY - first
            open_still[max(end - 1 - -(-longest // MINUTE_MS), 0) : end] = True
    return open_still
