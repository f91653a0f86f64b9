"""What a site's backup did over a period, and what it could do: stays, leaks, allowance, and fit.

Fit: had the backup taken over in the hour of each day that needed it most, would it have carried it? Asked day by day and
by direction, since the upload of a cellular line is what fails first (common practice, no source). An hour fits where at
most one of its twelve five-minute rates exceeds the full threshold of the backup.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Final
from zoneinfo import ZoneInfo

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from flowdiag.durations import DAY_MS, HOUR_MS
from flowdiag.review.link_figures import LEAST_PART
from flowdiag.review.partial import SLOT_MS, SitePartial, within
from flowdiag.review.slots import Slots
from flowdiag.site.profile import Profile

# A month that has just begun says little about itself.
RATE_DAYS: Final = 31
_SLOTS_AN_HOUR: Final = 12
_OVER: Final = 1  # slots of a busy hour that may be over
_GB: Final = 1e9


class BackupFigures(Struct, frozen=True):
    """names: of the backup links. days: local days with a stay; leaked_octets: ordinary traffic on a backup that no
    failover explains; silent_hours: without keepalives, as the profile wants them.

    octets: on the backups in the period. month: YYYY-MM, local, the last of the period; month_octets: in it until the
    period's end; allowance_used, allowance_projected: parts of its allowance, None without one. fit_days: days whose
    busiest hour could be compared; fit_down, fit_up: how many of them would have fitted.
    """

    names: tuple[str, ...]
    hours_on_backup: float
    days: int
    failovers: int
    leaked_octets: int
    octets: int
    silent_hours: float
    month: str
    month_octets: int
    allowance_gb: float | None
    allowance_used: float | None
    allowance_projected: float | None
    fit_days: int
    fit_down: int
    fit_up: int


def backup_figures(
    profile: Profile, partial: SitePartial, slots: Slots, history: SitePartial
) -> BackupFigures | None:
    """The figures over all backup links of a site; None for a site without. Arguments as in link_figures()."""
    backups = [number for number, link in enumerate(profile.link) if link.role == "backup"]
    if not backups:
        return None
    stays = [stay for stay in partial.stays if stay.link in backups]
    allowance = _Allowance.of(profile, backups, partial, history)
    days, fits = _fit(profile, backups, partial, slots)
    return BackupFigures(
        names=tuple(profile.link[number].name for number in backups),
        hours_on_backup=sum(stay.end_ms - stay.start_ms for stay in stays) / HOUR_MS,
        days=len({day for stay in stays for day in slots.day[partial.slots_of(stay)].tolist()}),
        failovers=len(stays),
        leaked_octets=int(partial.leaked[backups].sum()),
        octets=int(partial.ip_octets[backups].sum()),
        silent_hours=sum(gap.end_ms - gap.start_ms for gap in partial.missing) / HOUR_MS,
        month=allowance.month,
        month_octets=allowance.octets,
        allowance_gb=allowance.gb,
        allowance_used=allowance.used,
        allowance_projected=allowance.projected,
        fit_days=days,
        fit_down=fits[0],
        fit_up=fits[1],
    )


class _Allowance(Struct, frozen=True):
    """Of the calendar month in which the period ends. octets: on all backups; the others of the link nearest to its
    allowance. What is not known of the month is projected at the mean rate of the last RATE_DAYS, apart from failovers that
    are over: nobody knows whether another will come.
    """

    month: str
    octets: int
    gb: float | None = None
    used: float | None = None
    projected: float | None = None

    @classmethod
    def of(
        cls, profile: Profile, backups: list[int], partial: SitePartial, history: SitePartial
    ) -> _Allowance:
        zone = ZoneInfo(profile.site.timezone)
        last = datetime.fromtimestamp((partial.end_ms - 1) / 1000, UTC).astimezone(zone)
        begin = datetime(last.year, last.month, 1, tzinfo=zone)
        following = (begin + timedelta(days=32)).replace(day=1)
        begin_ms, end_ms = (
            round(moment.timestamp() * 1000) // SLOT_MS * SLOT_MS for moment in (begin, following)
        )
        known_until_ms = min(partial.end_ms, end_ms)
        octets, known = _carried(within(history, begin_ms, known_until_ms), backups)
        unknown = (end_ms - begin_ms) // SLOT_MS - known
        projected = octets + unknown * _rate(
            within(history, known_until_ms - RATE_DAYS * DAY_MS, known_until_ms), backups
        )
        name = f"{last:%Y-%m}"
        limited = [
            (float(projected[at]) / (gb * _GB), int(octets[at]) / (gb * _GB), gb)
            for at, number in enumerate(backups)
            if (gb := profile.link[number].allowance_gb) is not None
        ]
        if not limited:
            return cls(name, int(octets.sum()))
        expected, used, gb = max(limited)
        return cls(name, int(octets.sum()), gb, used, expected)


def _carried(partial: SitePartial, links: list[int]) -> tuple[NDArray[np.uint64], int]:
    """IP octets on each of some links, and slots in which the exporter was heard."""
    octets: NDArray[np.uint64] = partial.ip_octets[links].sum(axis=1)
    return octets, int(partial.heard_slots.sum())


def _rate(partial: SitePartial, links: list[int]) -> NDArray[np.float64]:
    """Mean IP octets a slot on each of some links while the exporter was heard, apart from stays that are over."""
    counted = np.tile(partial.heard_slots, (len(links), 1))
    for stay in partial.stays:
        if stay.link in links and stay.end_ms < partial.end_ms - SLOT_MS:
            counted[links.index(stay.link), partial.slots_of(stay)] = False
    octets = np.where(counted, partial.ip_octets[links], 0).sum(axis=1)
    mean: NDArray[np.float64] = octets / np.maximum(counted.sum(axis=1), 1)
    return mean


def _fit(
    profile: Profile, backups: list[int], partial: SitePartial, slots: Slots
) -> tuple[int, tuple[int, int]]:
    """Days compared, and how many of them fitted in each direction, on the largest backup."""
    covered = partial.covered_slots
    hours = slots.day_hours
    known = np.bincount(hours.of_slot, covered, len(hours)) >= LEAST_PART * _SLOTS_AN_HOUR
    day_of_hour = hours.distinct // 24
    usable = _usable_days(slots, covered)
    fits = []
    for direction in (0, 1):
        total: NDArray[np.float64] = partial.slot_mbps[:, direction].sum(axis=0)
        most = max(
            profile.link[number].up_mbps if direction else profile.link[number].down_mbps
            for number in backups
        )
        carried = np.where(known, np.bincount(hours.of_slot, total, len(hours)), -1.0)
        over = np.bincount(hours.of_slot, total > profile.thresholds.full * most, len(hours))
        # Of each day the hour that carried most, the first of equal ones: it stands last.
        order = np.lexsort((-np.arange(len(hours)), carried, day_of_hour))
        busiest = order[np.diff(day_of_hour[order], append=-1) != 0]
        fitted = np.isin(day_of_hour[busiest], usable) & (over[busiest] <= _OVER)
        fits.append(int(np.count_nonzero(fitted)))
    return len(usable), (fits[0], fits[1])


def _usable_days(slots: Slots, covered: NDArray[np.bool_]) -> NDArray[np.int64]:
    """Local days of which at least half is covered."""
    days = slots.days
    part = np.bincount(days.of_slot, covered, len(days)) / np.bincount(days.of_slot, minlength=len(days))
    return days.distinct[part >= LEAST_PART]
