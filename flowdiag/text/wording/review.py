"""The sentences of a review: each reason as one line for the account manager, and in plain words for the client."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from msgspec import Struct

from flowdiag.addresses import to_text
from flowdiag.aggregator.labels import Labels
from flowdiag.site.profile import Profile
from flowdiag.text.clock import MONTHS
from flowdiag.text.figures import count, plan_rate, rate, volume
from flowdiag.text.wording.note import WAYS as WAYS
from flowdiag.text.wording.reviewed import BackupFigures, LinkFigures, Months, Need, TopTalker, Trend

ADVICE_WORDS: Final = {
    "upgrade": "upgrade",
    "tune-first": "tune first",
    "watch": "watch",
    "fine": "fine",
    "not-enough-data": "not enough data",
}
# In place of a figure, where nothing tells it.
UNKNOWN: Final = "–"
# Less silence of a backup is not worth a client's while.
LEAST_SILENT_HOURS: Final = 0.5
_FAR_MONTHS: Final = 3  # from here on whole months say enough
_WE_CHECK: Final = "Our records of this line do not fit together yet; we are looking into it."


class Reason(Struct, frozen=True):
    """code: what it is about; text: one line with its figures; client: the same for the client; short: in plain words for
    the account manager."""

    code: str
    text: str
    client: str
    short: str


NO_FLOWS: Final = Reason(
    "no-flows",
    "the store holds no flows of this site in the period",
    _WE_CHECK,
    "There are no flows of this site in this period.",
)
FLOWS_AROUND: Final = Reason(
    "no-flows",
    "the store holds no flows of this site in the period, only before or after it",
    _WE_CHECK,
    "There are no flows of this site in this period, only before or after it.",
)
NO_LINK: Final = Reason(
    "no-link",
    "the store holds flows of this site, but none on a link of its profile: check the interface numbers",
    _WE_CHECK,
    "No flows are on its links: check the interface numbers in the profile.",
)


def whose_flows(exporters: int) -> Reason:
    return Reason(
        "exporters",
        f"the store holds flows of {exporters} exporters and the profile names none of them as the site's: add site.exporters",
        _WE_CHECK,
        "The profile does not say which exporters are the site's.",
    )


def in_short(reasons: Sequence[Reason]) -> str:
    """What a site's reasons come to, in plain words; what holds for both directions is said once."""
    said: list[str] = []
    for short in dict.fromkeys(reason.short for reason in reasons):
        if said and said[-1].replace(WAYS["down"], WAYS["up"]) == short:
            said[-1] = f"{said[-1].removesuffix('.')}, the {WAYS['up']} too."
        else:
            said.append(short)
    return " ".join(said)


def per_cent(part: float) -> str:
    """Whole per cent; what is over a plan too."""
    return f"{part:.0%}"


def change(percent: float) -> str:
    """Per cent with its sign, whole; none for nothing."""
    whole = round(percent)
    return f"{whole:+d}%" if whole else "0%"


def known(figures: LinkFigures, said: str, unknown: str = UNKNOWN) -> str:
    """A figure as said; `unknown` where no time of the link counts, of which a figure would be zero."""
    return said if figures.coverage else unknown


def hours(value: float) -> str:
    return f"{value:.0f} h" if value >= 9.95 else f"{value:.1f} h"


def way(figures: LinkFigures) -> str:
    return f"{WAYS[figures.direction]} of {figures.name}"


def of_plan(mbps: float, figures: LinkFigures) -> str:
    """48.4 of 50 Mbit/s"""
    return f"{rate(mbps).removesuffix(' Mbit/s')} of {plan_rate(figures.capacity_mbps)}"


def level(figures: LinkFigures) -> str:
    return f"p95 {of_plan(figures.p95_mbps, figures)} ({per_cent(figures.share)})"


def month_name(month: str) -> str:
    """March 2026, of YYYY-MM."""
    year, _, number = month.partition("-")
    return f"{MONTHS[int(number) - 1]} {year}"


def too_little(heard: float, days: int, least_days: int) -> Reason:
    cover = (
        f"flows cover {per_cent(heard)} of the period, {count(days, 'day') if days else 'no day'} well enough"
    )
    client = f"We have good figures for {count(days, 'day')} only, too few to advise you."
    short = f"Figures of {count(days, 'day')} are too few to judge."
    if not days:
        client = "We do not have good figures of a whole day yet, so we cannot advise you."
        short = "No whole day of flows is in this period."
    return Reason("too-little", f"{cover}; half of it and {least_days} days are needed", client, short)


def outgrown(figures: LinkFigures, busy: float) -> Reason:
    text = f"{way(figures)}: {level(figures)}, busy for {hours(figures.busy_hours)}"
    if figures.full_hours:
        text += f", full for {hours(figures.full_hours)}, which hides need beyond the plan"
    client = (
        f"Your {WAYS[figures.direction]} is busy much of the time: for {hours(figures.busy_hours)} it ran at "
        f"{per_cent(busy)} of the plan or more, and many devices shared it."
    )
    return Reason("outgrown", text, client, f"The {WAYS[figures.direction]} is busy much of the time.")


def plan(found: tuple[str, tuple[float, float]] | None, wanted: Need, has_catalogue: bool) -> Reason:
    needed = f"{rate(wanted.down_mbps)} down and {rate(wanted.up_mbps)} up"
    if wanted.growth > 1.005:
        needed += f" (a year's growth of up to {per_cent(wanted.growth - 1)} included)"
    if found is not None:
        text = f"{found[0]} is the smallest plan for {needed}"
        client = f"The smallest plan that gives you room is {found[0]}."
        short = f"{found[0]} would give it room."
    else:
        client = "A larger plan would give you room; we will look for one that fits."
        text = f"needed: {needed}; the profile lists no plan_catalogue to choose from"
        short = "It needs a larger plan."
        if has_catalogue:
            text = f"no plan of the catalogue is enough for {needed}"
            short = "No plan of the catalogue is large enough."
    return Reason("plan", text, client, short)


def over_plan(figures: LinkFigures) -> Reason:
    return Reason(
        "over-plan",
        f"{way(figures)}: {level(figures)}, more than the plan can carry: first check its rate in the profile",
        _WE_CHECK,
        f"The {WAYS[figures.direction]} is above its plan: check the rate in the profile.",
    )


def host(talker: TopTalker, profile: Profile) -> str:
    label = Labels(profile).label(talker.address)
    address = to_text(talker.address)
    return f"{label} ({address})" if label else address


def one_talker(figures: LinkFigures, talker: TopTalker, profile: Profile) -> Reason:
    device = Labels(profile).label(talker.address) or to_text(talker.address)
    return Reason(
        "one-talker",
        f"{way(figures)}: {level(figures)}, but {rate(talker.p95_without_mbps)} without {host(talker, profile)}, which "
        f"makes {per_cent(talker.share)} of the peaks: move or limit its job, an upgrade does not cure it",
        f"One device, {device}, makes the peaks of your {WAYS[figures.direction]}. It would fill a larger plan as well: "
        "moving its job out of your working hours, or limiting its rate, helps more than an upgrade.",
        f"One device fills the {WAYS[figures.direction]}: move or limit its job.",
    )


def after_hours(figures: LinkFigures) -> Reason:
    work = rate(figures.work_p95_mbps or 0.0)
    return Reason(
        "after-hours",
        f"{way(figures)}: {level(figures)}, but {work} in working hours: jobs outside them fill it, which people "
        "at work do not feel",
        f"Your {WAYS[figures.direction]} is busy outside your working hours only; people at work do not feel it.",
        f"The {WAYS[figures.direction]} is busy outside working hours only.",
    )


def growing(figures: LinkFigures, trend: Trend, months: Months) -> Reason:
    return Reason(
        "growing",
        f"{way(figures)}: {level(figures)}, growing {trend.percent(trend.slope):.0f}% a month "
        f"({trend.percent(trend.low):.0f} to {trend.percent(trend.high):.0f}): busy in about "
        f"{_months(months.expected)} ({span(months)})",
        f"Your {WAYS[figures.direction]} grows. If it goes on so, the plan will be busy in about "
        f"{_months(months.expected)}; we keep an eye on it.",
        f"The {WAYS[figures.direction]} grows: busy in about {_months(months.expected)}.",
    )


def _months(expected: float | None) -> str:
    return count(max(round(expected or 0.0), 1), "month")


def span(months: Months) -> str:
    """The interval of a forecast that there is, in months, and tenths of them where they are few."""
    soonest = _end(months.soonest or 0.0)
    return f"{soonest} or more" if months.latest is None else f"{soonest} to {_end(months.latest)}"


def _end(months: float) -> str:
    return f"{months:.1f}" if months < _FAR_MONTHS else f"{months:.0f}"


def full_times(figures: LinkFigures) -> Reason:
    return Reason(
        "full-times",
        f"{way(figures)}: full {count(figures.episodes, 'time')} on {count(figures.episode_days, 'day')}, "
        f"{count(figures.episode_minutes, 'minute')} in all; else it has room ({level(figures)})",
        f"Your {WAYS[figures.direction]} was full for some minutes on {count(figures.episode_days, 'day')}; on the "
        "whole your plan has room.",
        f"The {WAYS[figures.direction]} was full for some minutes on {count(figures.episode_days, 'day')}.",
    )


def busy_hour(figures: LinkFigures) -> Reason:
    return Reason(
        "busy-hour",
        f"{way(figures)}: busy around {clock_hour(figures.busy_hour)} (p95 of that hour "
        f"{of_plan(figures.busy_hour_p95_mbps, figures)}); else it has room ({level(figures)})",
        f"Your {WAYS[figures.direction]} is busy around {clock_hour(figures.busy_hour)}; on the whole your plan has "
        "room.",
        f"The {WAYS[figures.direction]} is busy around {clock_hour(figures.busy_hour)} only.",
    )


def clock_hour(hour: int | None) -> str:
    return "-" if hour is None else f"{hour:02d}:00-{(hour + 1) % 24:02d}:00"


def room(figures: LinkFigures) -> Reason:
    return Reason(
        "room",
        f"the plan has room; nearest to it is the {way(figures)}, {level(figures)}",
        f"Your plan has room: even in busy times your {WAYS[figures.direction]} used {per_cent(figures.share)} of it.",
        "The plan has room.",
    )


def leaking(backup: BackupFigures) -> Reason:
    return Reason(
        "leak",
        f"{volume(backup.leaked_octets)} of ordinary traffic leaked onto the backup, which {_uses_of_allowance(backup)}: "
        "stop the leak",
        "Some of your devices use the backup line although the main line works, which uses up its allowance. We can "
        "set this right.",
        "Ordinary traffic leaks onto the backup and uses up its allowance: stop the leak.",
    )


def allowance(backup: BackupFigures) -> Reason:
    part = per_cent(backup.allowance_projected or 0.0)
    over = _is_over(backup)
    return Reason(
        "allowance",
        f"the backup {_uses_of_allowance(backup)}",
        f"Your backup line used {part} of its allowance in {month_name(backup.month)}."
        if over
        else f"At this rate your backup line will use {part} of its monthly allowance.",
        f"The backup {_uses_of_allowance(backup)}.",
    )


def _uses_of_allowance(backup: BackupFigures) -> str:
    part, month = per_cent(backup.allowance_projected or 0.0), month_name(backup.month)
    if _is_over(backup):
        return f"used {part} of its allowance in {month}"
    return f"uses {part} of its allowance in {month} at this rate"


def _is_over(backup: BackupFigures) -> bool:
    """Whether all of the month is known."""
    return backup.allowance_used == backup.allowance_projected


def outlook(figures: LinkFigures, trend: Trend, full: float) -> str:
    """What the picture of a trend shows, for the client."""
    if trend.middle[1] >= full * figures.capacity_mbps:
        return (
            "The line is full on most days, which hides how much more would be used: no growth can be seen."
        )
    interval = f"with 95% confidence between {change(trend.percent(trend.low))} and {change(trend.percent(trend.high))}"
    if not trend.is_sure:
        return f"No clear trend ({interval} a month, the shaded part)."
    moves = "grows" if trend.slope > 0 else "falls"
    text = (
        f"Use {moves} by about {abs(trend.percent(trend.slope)):.0f}% a month ({interval}, the shaded part)."
    )
    months = figures.months
    if months is not None and months.expected:
        text += f" If it goes on so, the plan is busy in about {_months(months.expected)} ({span(months)})."
    return text


def spare(backup: BackupFigures) -> list[str]:
    """What the backup did and could do, for the client."""
    found = ["It was not needed."]
    if backup.failovers:
        found = [
            f"It took over {count(backup.failovers, 'time')} on {count(backup.days, 'day')}, for "
            f"{hours(backup.hours_on_backup)} in all."
        ]
    if backup.fit_days:
        found.append(
            f"Had it been needed in the busiest hour of each day, it would have carried your download on "
            f"{backup.fit_down} of {count(backup.fit_days, 'day')}, and your upload on {backup.fit_up}."
        )
    if backup.allowance_used is not None and backup.allowance_projected is not None:
        used, projected = per_cent(backup.allowance_used), per_cent(backup.allowance_projected)
        text = f"In {month_name(backup.month)} it has used {used} of its {backup.allowance_gb:,.0f} GB"
        if projected != used:
            text += f", and will use about {projected} by the month's end if it goes on so"
        found.append(f"{text}.")
    if backup.silent_hours >= LEAST_SILENT_HOURS:
        found.append(f"For {hours(backup.silent_hours)} we saw no signs of life from it.")
    return found
