"""All that a store knows of a site over a period, as one partial: kept days are taken, new ones are made and kept."""

from __future__ import annotations

from itertools import groupby

from msgspec import Struct

from flowdiag.addresses import UNKNOWN_ADDRESS, to_bytes
from flowdiag.collector.report import ExportReport
from flowdiag.collector.store.asking import asked_again
from flowdiag.durations import DAY_MS
from flowdiag.review.cache import PartialCache
from flowdiag.review.flow_days import FlowDay, FlowDays
from flowdiag.review.partial import SitePartial, merge
from flowdiag.review.site_day import counting_profile, site_day_partial
from flowdiag.site.profile import Profile


class SiteHistory(Struct, frozen=True, eq=False):
    """problems: files that could not be used, in words; made, kept: days whose partial was made and taken; exporters: how
    many of them the flows are of.
    """

    partial: SitePartial
    problems: tuple[str, ...]
    made: int
    kept: int
    exporters: int


@asked_again
def site_history(
    store: FlowDays, profile: Profile, begin_ms: int, end_ms: int, *, keep: bool = True
) -> SiteHistory:
    """The merged partials of the days whose flows may touch [begin, end).

    keep: take and leave partials in the store. Raises StoreError if there is no store.
    """
    with store.backend.reading():  # nobody removes files between the listing and the reading
        return _history(store, profile, begin_ms, end_ms, keep=keep)


def _history(store: FlowDays, profile: Profile, begin_ms: int, end_ms: int, *, keep: bool) -> SiteHistory:
    counting = counting_profile(profile)
    cache = PartialCache(store.backend, counting)
    exporters = [to_bytes(address) for address in profile.site.exporters]
    wanted = store.days(exporters, (begin_ms, end_ms))
    partials: list[SitePartial] = []
    problems: list[str] = []
    made = 0
    for month, days in groupby(wanted, key=lambda day: day.month):
        kept = cache.read(month) if keep else None
        for day in days:
            key = cache.key(day)
            known = kept.get(day.day, key) if kept is not None else None
            if known is None:
                known, faults = _made(store, counting, day)
                made += 1
                problems += faults
                if kept is not None and not faults:  # a fault is to be reported the next time too
                    kept.keep(day.day, key, known)
            partials.append(known)
        if kept is not None and kept.changed:
            cache.write(month, kept)
    merged = merge(partials, len(profile.link))
    met = {file.partition.exporter for day in wanted for file in day.files} - {UNKNOWN_ADDRESS}
    return SiteHistory(merged, tuple(problems), made=made, kept=len(wanted) - made, exporters=len(met))


def _made(store: FlowDays, counting: Profile, day: FlowDay) -> tuple[SitePartial, list[str]]:
    report = ExportReport()
    partial = site_day_partial(store.batches(day.files, report), report, counting, day.day * DAY_MS)
    return partial, [f"{problem.file}: {problem.what}" for problem in report.problems]
