"""How one link and direction was used over a period, against its plan.

Facts the design follows:
- five-minute rates are what transit billing and capacity planning go by; the nearest-rank 95th percentile leaves out 36
  hours of a month (common practice, no source);
- the busy hour is the hour of the day that carries most over the period's days, the time-consistent busy hour (ITU-T
  E.600, from memory);
- slots in which the exporter was silent, or the site was on its backup, say nothing about need and do not count.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from flowdiag.aggregator.percentiles import nearest_rank, nearest_ranks
from flowdiag.diagnoser.signals.sustained import sustained
from flowdiag.durations import MINUTE_MS
from flowdiag.review.partial import SLOT_MINUTES, SitePartial
from flowdiag.review.slots import HOURS_A_WEEK, Slots
from flowdiag.review.talker_share import TopTalker, top_talker
from flowdiag.review.trend import Months, Trend, daily_trend
from flowdiag.site.profile import Link, Profile

DIRECTIONS: Final = ("down", "up")
# A day or an hour of which less than this counts says nothing. Common practice, no source.
LEAST_PART: Final = 0.5
_SLOTS_AN_HOUR: Final = 12
_SLOTS_A_DAY: Final = 288
_ROUNDING: Final = 1e-9  # as in diagnoser/signals/episodes.py


class LinkFigures(Struct, frozen=True):
    """Rates in Mbit/s with the link's framing. busy_hours, full_hours: time of five-minute slots at or over the
    threshold; busy_hour: local hour of the day, None without use. episodes: sustained full times, and their minutes.

    work_p95_mbps: of the working hours, None where the profile lists none. week: 168 hours from Monday 00:00, each the
    95th percentile as a part of the plan, None where nothing counts. coverage: part of the period that counts.
    """

    name: str
    role: str
    direction: str
    capacity_mbps: float
    mean_mbps: float
    p95_mbps: float
    peak_mbps: float
    busy_hour: int | None
    busy_hour_p95_mbps: float
    busy_hours: float
    full_hours: float
    episodes: int
    episode_days: int
    episode_minutes: int
    work_p95_mbps: float | None
    talker: TopTalker | None
    trend: Trend | None
    months: Months | None
    week: tuple[float | None, ...]
    coverage: float

    @property
    def share(self) -> float:
        """The 95th percentile as a part of the plan."""
        return self.p95_mbps / self.capacity_mbps


def slot_rates(partial: SitePartial, link: int, direction: int) -> NDArray[np.float64]:
    """Mbit/s of each slot of a partial."""
    mbps: NDArray[np.float64] = partial.slot_mbps[link, direction]
    return mbps


def counted_slots(partial: SitePartial, primary: bool) -> NDArray[np.bool_]:
    """Slots that say something: covered as a whole, and on a primary not spent on a backup."""
    counted = partial.covered_slots.copy()
    if primary:
        for stay in partial.stays:
            counted[partial.slots_of(stay)] = False
    return counted


def link_figures(
    profile: Profile,
    number: int,
    direction: int,
    partial: SitePartial,
    slots: Slots,
    history: SitePartial,
    history_slots: Slots,
) -> LinkFigures:
    """The figures of one link and direction.

    partial: of the period (partial.within); history: of the period and the time before it that the trend looks at; slots,
    history_slots: of them.
    """
    link = profile.link[number]
    capacity = link.up_mbps if direction else link.down_mbps
    primary = link.role == "primary"
    mbps, counted = slot_rates(partial, number, direction), counted_slots(partial, primary)
    used = mbps[counted]
    p95 = nearest_rank(used, 95)
    hour = _busy_hour(mbps, counted, slots)
    limits = profile.thresholds
    ranked = _ranked(mbps, counted)
    trend = None
    if primary:
        trend = _trend(
            slot_rates(history, number, direction),
            history,
            history_slots,
            ranked if history is partial else None,
        )
    work = None if slots.at_work is None else nearest_rank(mbps[counted & slots.at_work], 95)
    episodes = _episodes(partial, number, direction, link, limits.full)
    return LinkFigures(
        name=link.name,
        role=link.role,
        direction=DIRECTIONS[direction],
        capacity_mbps=capacity,
        mean_mbps=float(used.mean()) if len(used) else 0.0,
        p95_mbps=p95,
        peak_mbps=float(used.max(initial=0.0)),
        busy_hour=hour,
        busy_hour_p95_mbps=0.0 if hour is None else nearest_rank(mbps[counted & (slots.hour == hour)], 95),
        busy_hours=_hours(used >= limits.busy * capacity - _ROUNDING),
        full_hours=_hours(used >= limits.full * capacity - _ROUNDING),
        episodes=len(episodes),
        episode_days=len({int(slots.day[first // SLOT_MINUTES]) for first, _ in episodes}),
        episode_minutes=sum(stop - first for first, stop in episodes),
        work_p95_mbps=work,
        talker=top_talker(partial.talkers, number * 2 + direction, partial.start_ms, mbps, counted),
        trend=trend,
        months=None if trend is None else trend.months_until(limits.busy * capacity, p95),
        week=_week(mbps[ranked] / capacity, slots.week_hour[ranked]),
        coverage=float(counted.mean()) if len(counted) else 0.0,
    )


def _hours(mask: NDArray[np.bool_]) -> float:
    return int(np.count_nonzero(mask)) / _SLOTS_AN_HOUR


def _busy_hour(mbps: NDArray[np.float64], counted: NDArray[np.bool_], slots: Slots) -> int | None:
    """The local hour with the highest mean; the earliest of equals."""
    sums = np.bincount(slots.hour[counted], mbps[counted], 24)
    counts = np.bincount(slots.hour[counted], minlength=24)
    if not sums.any():
        return None
    return int(np.argmax(sums / np.maximum(counts, 1)))


def _episodes(
    partial: SitePartial, number: int, direction: int, link: Link, full: float
) -> list[tuple[int, int]]:
    """Sustained full minutes, [first, stop): what a client would complain of."""
    capacity = link.up_mbps if direction else link.down_mbps
    share = partial.wire_octets[number, direction].astype(np.float64) * 8e3 / (MINUTE_MS * 1e6 * capacity)
    over = share >= full - _ROUNDING
    return sustained(over, share, full) if over.any() else []


def _ranked(mbps: NDArray[np.float64], counted: NDArray[np.bool_]) -> NDArray[np.intp]:
    """The slots that count, in ascending order of their rates."""
    rows = np.flatnonzero(counted)
    return rows[np.argsort(mbps[rows])]


def _trend(
    mbps: NDArray[np.float64], history: SitePartial, slots: Slots, ranked: NDArray[np.intp] | None
) -> Trend | None:
    """ranked: if that of the history is known."""
    if ranked is None:
        ranked = _ranked(mbps, counted_slots(history, True))
    days = slots.days
    points, counts = nearest_ranks(mbps[ranked], days.of_slot[ranked], len(days), 95)
    kept = counts >= LEAST_PART * _SLOTS_A_DAY
    return daily_trend(days.distinct[kept], points[kept])


def _week(share: NDArray[np.float64], week_hour: NDArray[np.int16]) -> tuple[float | None, ...]:
    """The nearest-rank 95th percentile of each hour of the week. share: ascending."""
    found, counts = nearest_ranks(share, week_hour, HOURS_A_WEEK, 95)
    return tuple(one if count else None for one, count in zip(found.tolist(), counts.tolist(), strict=True))
