"""All that a store knows of a site over a period, as one partial: kept days are taken, new ones are made and kept."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from itertools import groupby
from typing import Final

from flowdiag.aggregator.addresses import to_bytes
from flowdiag.collector.report import ExportReport
from flowdiag.review.cache import PartialCache
from flowdiag.review.flow_days import FlowDays, FlowFile, day_start_ms, utc_day
from flowdiag.review.partial import SitePartial, merge
from flowdiag.review.site_day import counting_profile, site_day_partial
from flowdiag.site.profile import Profile

# The partitions beside a period may hold flows that reach into it.
BESIDE: Final = timedelta(days=1)


@dataclass(frozen=True, eq=False)
class SiteHistory:
    """problems: files that could not be used, in words; made, kept: days whose partial was made and taken."""

    partial: SitePartial
    problems: tuple[str, ...]
    made: int
    kept: int


def site_exporters(store: FlowDays, profile: Profile) -> list[bytes]:
    """The exporters of a site; all of the store's where the profile lists none."""
    listed = profile.site.exporters
    return [to_bytes(address) for address in listed] if listed else sorted(store.exporters)


def site_history(
    store: FlowDays, profile: Profile, begin_ms: int, end_ms: int, *, keep: bool = True
) -> SiteHistory:
    """The merged partials of the days that [begin, end) touches, and of one more on both sides.

    keep: take and leave partials in the store.
    """
    first, last = utc_day(begin_ms) - BESIDE, utc_day(end_ms - 1) + BESIDE
    counting = counting_profile(profile)
    cache = PartialCache(store, counting)
    all_days = store.files(site_exporters(store, profile))
    wanted = [day for day in all_days if first <= day <= last]
    partials: list[SitePartial] = []
    problems: list[str] = []
    made = 0
    for month, days in groupby(wanted, key=_month):
        kept = cache.read(month) if keep else {}
        current = {day: kept[day] for day in kept if day in all_days}
        before = made
        for day in days:
            key = cache.key(all_days[day])
            if day not in kept or kept[day][0] != key:
                made += 1
                partial, faults = _made(store, counting, day, all_days[day])
                problems += faults
                current.pop(day, None)
                if faults:
                    partials.append(partial)
                    continue
                current[day] = key, partial
            partials.append(current[day][1])
        if keep and made > before:
            cache.write(month, current)
    return SiteHistory(
        merge(partials, len(profile.link)), tuple(problems), made=made, kept=len(wanted) - made
    )


def _month(day: date) -> str:
    return f"{day:%Y-%m}"


def _made(
    store: FlowDays, counting: Profile, day: date, files: tuple[FlowFile, ...]
) -> tuple[SitePartial, list[str]]:
    report = ExportReport()
    partial = site_day_partial(store.batches(files, report), report, counting, day_start_ms(day))
    return partial, [f"{problem.file}: {problem.what}" for problem in report.problems]
