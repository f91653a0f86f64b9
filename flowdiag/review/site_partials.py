"""All that a store knows of a site over a period, as one partial: kept days are taken, new ones are made and kept."""

from __future__ import annotations

from collections.abc import Sequence

from msgspec import Struct

from flowdiag.addresses import UNKNOWN_ADDRESS, to_bytes
from flowdiag.collector.report import ExportReport
from flowdiag.collector.store.asking import asked_again
from flowdiag.durations import DAY_MS
from flowdiag.review.cache import KeptMonth, PartialCache
from flowdiag.review.flow_days import FlowDay, FlowDays, day_date
from flowdiag.review.partial import SitePartial, merge
from flowdiag.review.rolled_days import rolled_days
from flowdiag.review.site_day import counting_profile, site_day_partial
from flowdiag.site.profile import Profile
from flowdiag.text.wording import review_store as words


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
    months = {month: cache.read(month) if keep else KeptMonth() for month in {day.month for day in wanted}}
    keys = {day.day: cache.key(day) for day in wanted}
    known = {day.day: months[day.month].get(day.day, keys[day.day]) for day in wanted}
    new = [day for day in wanted if known[day.day] is None]
    made = _made(store, counting, new)
    for day, (partial, faults) in zip(new, made, strict=True):
        known[day.day] = partial
        if not faults:  # a fault is to be reported the next time too
            months[day.month].keep(day.day, keys[day.day], partial)
    for month, kept in months.items():
        if keep and kept.changed:
            cache.write(month, kept)
    merged = merge([partial for partial in known.values() if partial is not None], len(profile.link))
    met = {exporter for day in wanted for exporter in day.exporters} - {UNKNOWN_ADDRESS}
    problems = (*_gone(wanted), *(fault for _, faults in made for fault in faults))
    return SiteHistory(merged, problems, made=len(new), kept=len(wanted) - len(new), exporters=len(met))


def _made(store: FlowDays, counting: Profile, days: Sequence[FlowDay]) -> list[tuple[SitePartial, list[str]]]:
    """The partial of each day, by sums where they can tell, and what is wrong with its files."""
    faults: dict[int, list[str]] = {day.day: [] for day in days}
    rolled = [found for day in days if (found := store.rolled(day, faults[day.day])) is not None]
    summed = {}
    for day, (partial, more) in zip(rolled, rolled_days(rolled, counting), strict=True):
        if not more or day.gone:
            summed[day.day] = partial
        if more and day.gone:
            faults[day.day].append(words.unknown(day_date(day.day)))
    return [
        (summed[day.day], faults[day.day])
        if day.day in summed
        else _by_flows(store, counting, day, faults[day.day])
        for day in days
    ]


def _gone(days: Sequence[FlowDay]) -> list[str]:
    """What is to be known of days whose flows are gone because of their age."""
    gone = [day for day in days if day.kept]
    without = sum(day.without for day in days)
    told = []
    if gone:
        told.append(words.gone(len(gone), day_date(gone[0].day), day_date(gone[-1].day)))
    if without:
        told.append(words.without(without))
    return told


def _by_flows(
    store: FlowDays, counting: Profile, day: FlowDay, faults: list[str]
) -> tuple[SitePartial, list[str]]:
    report = ExportReport()
    partial = site_day_partial(store.batches(day.files, report), report, counting, day.day * DAY_MS)
    return partial, [*faults, *(f"{problem.file}: {problem.what}" for problem in report.problems)]
