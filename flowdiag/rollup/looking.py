"""Which hours of a long time have to be looked at in the flows: those in which sums cannot rule out that there is a finding.

The bounds are wide on purpose: an hour that is looked at for nothing costs a moment, one that is not looked at may hide what
explains a complaint. Where more hours than can be read quickly are worth a look, the gravest go first, and the others are
counted, to be told. Weights order them; common practice, no source.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable
from typing import Final

import numpy as np
import pyarrow as pa
from msgspec import Struct
from numpy.typing import NDArray

from flowdiag.aggregator.applications import UDP
from flowdiag.aggregator.counting import InterfaceLinks
from flowdiag.aggregator.coverage import Coverage
from flowdiag.aggregator.services import REQUEST_PORTS
from flowdiag.aggregator.site_flows import DOWN
from flowdiag.buffers import integers, numbers, one_chunk
from flowdiag.durations import HOUR_MS, MINUTE_MS, Span
from flowdiag.rollup.minute_sums import MinutesCarried
from flowdiag.rollup.shape import PEAK_MS
from flowdiag.site.profile import Link, Profile

OCTETS_PER_MBPS_MINUTE: Final = 7_500_000  # 10^6 bit/s for sixty seconds
# As near to busy as this part of its threshold: windows that begin elsewhere may pass it.
NEARLY: Final = 0.85
# From here on transfers may stand at a level that is the line's (diagnoser/signals/held_levels.py), and minutes so alike
# in a row may be a flat top (flat_top.py).
LEVEL: Final = 0.20
ALIKE: Final = 0.12
ALIKE_MINUTES: Final = 6
# What a backup carries beside its keepalives before it is worth a look (diagnoser/signals/link_states.py).
BESIDE_KEEPALIVES: Final = 3_000
KEEPALIVES_MISSED: Final = 0.75
# A silence is no keepalive for a minute at least (diagnoser/signals/keepalives.py), of which a part may fall to its neighbours.
KEEPALIVE_SILENCE_S: Final = 60.0
PRIMARY_SHARE: Final = 0.05
# A silence of all links amid traffic: so much of the quarter of an hour on both sides has some.
AROUND_MINUTES: Final = 15
FLOWING: Final = 0.8
# Attempts: as many as unusual_rates.py and scans.py begin with, and this part of the hour's records.
ATTEMPTS: Final = 20
ATTEMPTS_PART: Final = 0.03
UNANSWERED_PART: Final = 0.1
SMALL_OCTETS: Final = 200.0
SMALL_PACKETS_S: Final = 500.0

MOST_RUNS: Final = 10
AROUND_HOURS: Final = 1  # read beside each run, for what is usual there
# Where an hour has more records than this, a quarter of one beside it tells as much.
MANY_RECORDS: Final = 20_000
LESS_AROUND: Final = 4

FULL_W, SILENT_W, FAILOVER_W, PACKETS_W, LEVEL_W, BACKUP_W, ATTEMPTS_W, LOSS_W, BURST_W, HELD_W = (
    10.0, 8.0, 9.0, 7.0, 6.0, 5.0, 4.0, 4.0, 3.0, 1.0,
)  # fmt: skip


class Looks(Struct, frozen=True):
    """runs: [from, to) of the times to look at, ms since 1970 UTC, in order, with nothing to look at around them; left:
    hours that were worth a look and are not in them; around_ms: to be read beside each."""

    runs: tuple[Span, ...]
    left: int
    around_ms: int = AROUND_HOURS * HOUR_MS


def where_to_look(
    carried: MinutesCarried,
    hours: pa.Table,
    coverage: Coverage,
    profile: Profile,
    window_ms: Span,
    most_records: int,
    *,
    figures: bool = False,
    gone_days: Collection[int] = (),
    services: pa.Table | None = None,
) -> Looks:
    """hours: of shape.HOURS; most_records: how many flows may be read for it; figures: only where a link may have been full
    for less than minutes show; gone_days: (since 1970 UTC) whose flows are no longer there;
    services: of shape.SERVICES."""
    weights = _Weights(carried, window_ms)
    if coverage.sampling <= 1:
        _bursts(weights, carried, profile)
    if figures:
        return _chosen(weights, hours, window_ms, most_records, gone_days)
    _links(weights, carried, profile)
    _silences(weights, carried)
    _backups(weights, carried, profile)
    _attempts(weights, hours, profile)
    if services is not None:
        _requests(weights, services, profile)
    for loss in coverage.losses:
        weights.at([loss.time_ms // HOUR_MS], LOSS_W)
    for begin, end in coverage.restarts:
        weights.at(range(begin // HOUR_MS, end // HOUR_MS + 1), LOSS_W)
    return _chosen(weights, hours, window_ms, most_records, gone_days)


class _Weights:
    """The weight of each hour of a window; 0 where nothing is to be seen."""

    def __init__(self, carried: MinutesCarried, window_ms: Span) -> None:
        self.first = window_ms[0] // HOUR_MS
        self.values = np.zeros(max(-(-window_ms[1] // HOUR_MS) - self.first, 1))
        minutes = carried.first + np.arange(carried.minutes)
        self._hour_of_minute = minutes // 60 - self.first

    def at(self, hours: Iterable[int], weight: float) -> None:
        """hours: since 1970."""
        for hour in hours:
            if 0 <= hour - self.first < len(self.values):
                self.values[hour - self.first] = max(self.values[hour - self.first], weight)

    def where(self, minutes: NDArray[np.bool_], weight: float) -> None:
        """minutes: which of those of the sums."""
        self.at(np.unique(self._hour_of_minute[minutes] + self.first).tolist(), weight)


def _capacities(link: Link) -> tuple[float, float]:
    """Octets of a minute, down and up."""
    return link.down_mbps * OCTETS_PER_MBPS_MINUTE, link.up_mbps * OCTETS_PER_MBPS_MINUTE


def _bursts(weights: _Weights, carried: MinutesCarried, profile: Profile) -> None:
    for number, link in enumerate(profile.link):
        for direction, capacity in enumerate(_capacities(link)):
            most = carried.peak[2 * number + direction] / (capacity * PEAK_MS / MINUTE_MS)
            weights.where(most >= profile.thresholds.full, BURST_W)


def _links(weights: _Weights, carried: MinutesCarried, profile: Profile) -> None:
    limits = profile.thresholds
    for number, link in enumerate(profile.link):
        for direction, capacity in enumerate(_capacities(link)):
            series = 2 * number + direction
            used = carried.wire[series] / capacity
            weights.where(used >= NEARLY * limits.busy, FULL_W)
            weights.where(_alike(used) & (used >= LEVEL), LEVEL_W)
            weights.where(used >= LEVEL, HELD_W)
            packets = carried.packets[series]
            other = carried.packets[series ^ 1]
            small = carried.octets[series] <= SMALL_OCTETS * packets
            weights.where(
                (packets >= SMALL_PACKETS_S * 60) & small & (packets >= 2 * np.maximum(other, 1)), PACKETS_W
            )


def _alike(used: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Minutes in a row of ALIKE_MINUTES that are nearly the same."""
    if len(used) < ALIKE_MINUTES:
        return np.zeros(len(used), np.bool_)
    windows = np.lib.stride_tricks.sliding_window_view(used, ALIKE_MINUTES)
    most = windows.max(axis=1)
    level = (most - windows.min(axis=1) <= ALIKE * most) & (most > 0)
    found = np.zeros(len(used), np.bool_)
    for offset in range(ALIKE_MINUTES):
        found[offset : offset + len(level)] |= level
    return found


def _silences(weights: _Weights, carried: MinutesCarried) -> None:
    """Minutes in which nothing came in amid traffic, or the exporter said nothing amid records."""
    came = carried.octets[DOWN::2].sum(axis=0) > 0
    for there in (came, carried.alive):
        around = np.convolve(there.astype(np.float64), np.ones(2 * AROUND_MINUTES + 1), "same")
        weights.where(~there & (around >= FLOWING * 2 * AROUND_MINUTES), SILENT_W)


def _backups(weights: _Weights, carried: MinutesCarried, profile: Profile) -> None:
    primary = [number for number, link in enumerate(profile.link) if link.role == "primary"]
    for number, link in enumerate(profile.link):
        if link.role != "backup":
            continue
        down = 2 * number + DOWN
        own = slice(2 * number, 2 * number + 2)
        busy = beyond_keepalives(link, carried.octets[own])
        weights.where(busy, BACKUP_W)
        by_primary = sum(carried.octets[2 * one + DOWN] for one in primary)
        weights.where(busy & (by_primary <= PRIMARY_SHARE * (by_primary + carried.octets[down])), FAILOVER_W)
        for missed in keepalives_missed(link, carried.packets[own], carried.alive, profile):
            weights.where(missed, BACKUP_W)


def beyond_keepalives(link: Link, octets: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Minutes in which a backup carried more than its keepalives explain. octets: IP, [direction, minute]."""
    busy: NDArray[np.bool_] = octets.sum(axis=0) > 2 * keepalive_octets(link) + BESIDE_KEEPALIVES
    return busy


def keepalive_octets(link: Link) -> float:
    """The most octets of the keepalives of a link, a minute and direction."""
    return 1.5 * _due(link)[1]


def keepalives_missed(
    link: Link, packets: NDArray[np.float64], alive: NDArray[np.bool_], profile: Profile
) -> NDArray[np.bool_]:
    """Minutes around which fewer packets were seen than keepalives are due while the exporter was heard.

    packets: [direction, minute]; alive: minutes in which the exporter was heard; shape as packets.
    """
    missed = np.zeros(packets.shape, np.bool_)
    due = _due(link)[0]
    if not due or not len(alive):
        return missed
    longest = max(one.interval_s for one in link.keepalive)
    silence_s = max(profile.thresholds.keepalive_missing_intervals * longest, KEEPALIVE_SILENCE_S)
    window = np.ones(math.ceil((silence_s + longest / 2) / 60.0) + 1)
    heard = _around(alive.astype(np.float64), window)
    for own, seen in zip(missed, packets, strict=True):
        own[:] = alive & (_around(seen, window) < KEEPALIVES_MISSED * due * heard)
    return missed


def _around(values: NDArray[np.float64], window: NDArray[np.float64]) -> NDArray[np.float64]:
    """The sum of each minute and those around it."""
    summed: NDArray[np.float64] = np.convolve(values, window)[(len(window) - 1) // 2 :][: len(values)]
    return summed


def _due(link: Link) -> tuple[float, float]:
    """Packets and octets of the keepalives of a link, a minute and direction."""
    packets = sum(60.0 / one.interval_s for one in link.keepalive)
    return packets, sum(60.0 / one.interval_s * (one.packet_bytes or 100) for one in link.keepalive)


def _attempts(weights: _Weights, hours: pa.Table, profile: Profile) -> None:
    hour, records, syns, wide = (
        integers(hours, name) for name in ("hour", "records", "bare_syns", "most_destinations")
    )
    distinct, where = np.unique(hour, return_inverse=True)
    records, syns, wide = (np.bincount(where, values, len(distinct)) for values in (records, syns, wide))
    scan = profile.thresholds.scan_addresses
    weights.at(distinct[(syns >= ATTEMPTS) & (syns >= ATTEMPTS_PART * records)].tolist(), ATTEMPTS_W)
    weights.at(distinct[(wide >= scan) & (syns >= scan / 2)].tolist(), PACKETS_W)


def _requests(weights: _Weights, services: pa.Table, profile: Profile) -> None:
    """Hours in which more requests by datagrams left by the links than answers came."""
    columns = {
        name: integers(services, name) for name in ("hour", "port", "protocol", "ingress", "egress", "flows")
    }
    asks = (columns["protocol"] == UDP) & np.isin(columns["port"], REQUEST_PORTS)
    link_of = InterfaceLinks(profile).of
    left = np.flatnonzero(asks & (link_of(columns["egress"]) >= 0))
    came = np.flatnonzero(asks & (link_of(columns["ingress"]) >= 0))
    if not len(left):
        return
    distinct, where = np.unique(columns["hour"][left], return_inverse=True)
    requests = np.bincount(where, columns["flows"][left], len(distinct))
    at = np.minimum(np.searchsorted(distinct, columns["hour"][came]), len(distinct) - 1)
    known = distinct[at] == columns["hour"][came]
    answers = np.bincount(at[known], columns["flows"][came][known], len(distinct))
    weights.at(
        distinct[(requests >= ATTEMPTS) & (answers < (1 - UNANSWERED_PART) * requests)].tolist(), ATTEMPTS_W
    )


def _chosen(
    weights: _Weights, hours: pa.Table, window_ms: Span, most_records: int, gone_days: Collection[int]
) -> Looks:
    """As many hours as may be read, the gravest first; of equal ones the later, since the complaint is of today."""
    values = weights.values
    count = len(values)
    records = np.zeros(count + 2 * AROUND_HOURS)
    hour = integers(hours, "hour") - weights.first + AROUND_HOURS
    inside = (hour >= 0) & (hour < len(records))
    np.add.at(records, hour[inside], numbers(one_chunk(hours["records"]))[inside].astype(np.float64))
    part = 1 / LESS_AROUND if np.median(records) > MANY_RECORDS else 1.0
    read = np.zeros(len(records))  # part of each hour
    looked = np.zeros(count, np.bool_)
    there = np.ones(count, np.bool_)
    there &= ~np.isin((weights.first + np.arange(count)) // 24, list(gone_days))
    for at in sorted(np.flatnonzero((values > 0) & there).tolist(), key=lambda at: (-values[at], -at)):
        with_it, now = looked.copy(), read.copy()
        with_it[at] = True
        now[at : at + 2 * AROUND_HOURS + 1] = np.maximum(now[at : at + 2 * AROUND_HOURS + 1], part)
        now[at + AROUND_HOURS] = 1.0
        if records @ now <= most_records and len(_runs(with_it)) <= MOST_RUNS:
            looked, read = with_it, now
    runs = tuple(
        (
            max((weights.first + first) * HOUR_MS, window_ms[0]),
            min((weights.first + stop) * HOUR_MS, window_ms[1]),
        )
        for first, stop in _runs(looked)
    )
    left = int(np.count_nonzero((values > 0) & ~_within(looked)))
    return Looks(runs, left, round(part * AROUND_HOURS * HOUR_MS))


def _within(looked: NDArray[np.bool_]) -> NDArray[np.bool_]:
    found = np.zeros(len(looked), np.bool_)
    for first, stop in _runs(looked):
        found[first:stop] = True
    return found


def _runs(looked: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """[first, stop) of hours to look at; what is read between two of them anyway joins them."""
    at = np.flatnonzero(looked)
    if not len(at):
        return []
    apart = np.flatnonzero(np.diff(at) > 2 * AROUND_HOURS)
    firsts = at[np.concatenate([[0], apart + 1])]
    stops = at[np.concatenate([apart, [len(at) - 1]])] + 1
    return list(zip(firsts.tolist(), stops.tolist(), strict=True))
