"""The review of one site: its history out of the store, figures of its links and backup, and the advice."""

from __future__ import annotations

from typing import Final

import numpy as np
from msgspec import Struct

from flowdiag.addresses import to_text
from flowdiag.aggregator.labels import Labels
from flowdiag.durations import DAY_MS
from flowdiag.review.advice import Judgement, judge
from flowdiag.review.backup_figures import BackupFigures, backup_figures
from flowdiag.review.flow_days import FlowDays
from flowdiag.review.link_figures import LEAST_PART, LinkFigures, link_figures
from flowdiag.review.partial import SLOT_MS, SitePartial, within
from flowdiag.review.period import Period
from flowdiag.review.site_partials import site_history
from flowdiag.review.sites import ReviewSite
from flowdiag.review.slots import Slots, local_slots

# How far before a period the trend looks, as far as there are flows: two quarters.
HISTORY_MS: Final = 184 * DAY_MS


class ReviewedSite(Struct, frozen=True):
    """begin_ms, end_ms: the period, ms since 1970 UTC. talker_labels: the profile's names of the links' talkers by
    address text. days: local days of the period that count; coverage: part of the period in which the exporter was heard;
    problems: files of flows that could not be used; made, kept: partials of days that were made and that were taken.
    """

    client: str
    site: str
    file: str
    timezone: str
    busy: float
    full: float
    begin_ms: int
    end_ms: int
    judgement: Judgement
    links: tuple[LinkFigures, ...]
    backup: BackupFigures | None
    talker_labels: dict[str, str]
    days: int
    coverage: float
    records: int
    lost_records: int
    problems: tuple[str, ...]
    made: int
    kept: int

    @property
    def tightest(self) -> LinkFigures:
        """The direction of a primary link whose 95th percentile is nearest to its plan."""
        return max(
            (figures for figures in self.links if figures.role == "primary"),
            key=lambda figures: figures.share,
        )


class SiteTask(Struct, frozen=True):
    """What a worker needs to know."""

    location: str
    site: ReviewSite
    period: Period
    keep: bool = True


def review_site(task: SiteTask) -> ReviewedSite:
    """Reviews one site. Raises StoreError if there is no store."""
    profile = task.site.profile
    timezone, hours = profile.site.timezone, profile.site.hours
    begin, end = task.period.span_ms(timezone)
    found = site_history(FlowDays(task.location), profile, begin - HISTORY_MS, end, keep=task.keep)
    partial = within(found.partial, begin, end)
    # What reaches over the begin by less than a day is of the flows of the period.
    has_earlier = found.partial.minutes and found.partial.start_ms <= begin - DAY_MS
    earliest = max(begin - HISTORY_MS, found.partial.start_ms) if has_earlier else begin
    history = within(found.partial, earliest, end) if has_earlier else partial
    slots = local_slots(begin, end, timezone, hours)
    history_slots = local_slots(earliest, end, timezone, hours) if has_earlier else slots
    links = tuple(
        link_figures(profile, number, direction, partial, slots, history, history_slots)
        for number in range(len(profile.link))
        for direction in (0, 1)
    )
    backup = backup_figures(profile, partial, slots, history)
    days = _days(partial, slots)
    labels = Labels(profile)
    named = {
        to_text(figures.talker.address): label
        for figures in links
        if figures.talker is not None and (label := labels.label(figures.talker.address)) is not None
    }
    return ReviewedSite(
        client=task.site.client,
        site=profile.site.name,
        file=task.site.file,
        timezone=timezone,
        busy=profile.thresholds.busy,
        full=profile.thresholds.full,
        begin_ms=begin,
        end_ms=end,
        judgement=judge(profile, links, backup, partial, days, found.exporters),
        links=links,
        backup=backup,
        talker_labels=named,
        days=days,
        coverage=float(partial.covered.mean()),
        records=partial.records,
        lost_records=partial.lost_records,
        problems=found.problems,
        made=found.made,
        kept=found.kept,
    )


def _days(partial: SitePartial, slots: Slots) -> int:
    """Local days of which at least LEAST_PART of a whole day was covered."""
    covered = partial.covered_slots
    return int(np.count_nonzero(np.bincount(slots.days.of_slot, covered) >= LEAST_PART * DAY_MS / SLOT_MS))
