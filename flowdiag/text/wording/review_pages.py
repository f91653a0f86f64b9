"""Headings and phrases of a review's table, pages and pictures; its reasons stand in review.py."""

from __future__ import annotations

from typing import Final

from flowdiag.text.clock import MONTHS
from flowdiag.text.figures import count
from flowdiag.text.wording.note import WAYS
from flowdiag.text.wording.review import ADVICE_WORDS, change, per_cent, span
from flowdiag.text.wording.reviewed import Months, Trend

# The table

TITLE: Final = "Account review"
SITE: Final = "site"
COLUMNS: Final = ("advice", "tightest", "95th", "of plan", "busy", "a month")
SHEETS: Final = ("Sites", "Links")

# A client's page

HOW_USED: Final = "How your lines were used"
IN_SHORT: Final = "In short"
IN_FIGURES: Final = "In figures"
USE: Final = "Use of each line and direction"
HOUR: Final = "Hour"
YOUR_BACKUP: Final = "Your backup"
HOW_TO_READ: Final = "How to read this"
DOTS: Final = "Each dot is a day's busy times; weekdays are compared with their like."
METHOD: Final = (
    "Busy times: the average of five minutes that was not exceeded in 95 of 100 cases (95th percentile), the usual measure "
    "for planning a line.",
    "A full line hides what people would have used beyond it, so the real need may be higher.",
    "Averages of five minutes cannot show shorter bursts, and use of the line says nothing about Wi-Fi or devices.",
    "A trend over some weeks cannot tell growth from a season.",
)
PLAN: Final = "Plan"
AVERAGE: Final = "Average"
BUSY_TIMES: Final = "Busy times"
PART_OF_PLAN: Final = "Part of plan"
BUSIEST_HOUR: Final = "Busiest hour of the day"
BUSY_FOR: Final = "Busy for"
FULL_FOR: Final = "Full for"

# The page of all sites

INTERNAL: Final = "Internal: holds the figures of all clients"
BY_URGENCY: Final = "Sites by urgency"
NUMBER: Final = "#"
RANKING: Final = ("Site", "Advice", "In short")
FIGURES: Final = ("Tightest", "Busy times", "Of plan", "Busy for", "A month")
LEGEND: Final = (
    "Busy times: 95th percentile (p95), nearest rank of five-minute rates, of the link and direction nearest to its plan. Busy "
    "for: time at or over the busy threshold. A month: the trend (Theil–Sen) of the days' 95th percentiles. Full links hide "
    "need beyond the plan; a trend over some weeks cannot tell growth from a season."
)
BEHIND: Final = "The figures behind it"


def of_period(title: str, period: str) -> str:
    return f"{title}, {period}"


def of_client(title: str, client: str) -> str:
    return f"{title}: {client}"


def summary(sites: int, advice: list[tuple[str, int]]) -> str:
    """advice: each code that was given, with how many sites."""
    return f"{count(sites, 'site')}: {', '.join(f'{number} {ADVICE_WORDS[code]}' for code, number in advice)}"


def if_it_goes_on(months: Months) -> str:
    """months: with an expected one."""
    return f"busy in {months.expected:.0f} months ({span(months)}) if its trend goes on"


def more(left: int) -> str:
    return f"{left} more: -n 0 shows all"


def unusable(files: int) -> str:
    return f"{count(files, 'file')} of the store could not be used; JSON names them"


def date(year: int, month: int, day: int) -> str:
    """1 March 2026"""
    return f"{day} {MONTHS[month - 1]} {year}"


def days(begin: tuple[int, int, int], last: tuple[int, int, int]) -> str:
    """Both included, each as (year, month, day): 1 to 31 March 2026."""
    month = f" {MONTHS[begin[1] - 1]}" if begin[:2] != last[:2] else ""
    year = f" {begin[0]}" if begin[0] != last[0] else ""
    return f"{begin[2]}{month}{year} to {date(*last)}"


def times(begin: str, end: str) -> str:
    return f"{begin} to {end}"


def line(name: str, direction: str) -> str:
    """Upload of fibre"""
    return f"{WAYS[direction].capitalize()} of {name}"


def figures_of(site: str) -> str:
    return f"Figures of {site}"


def usual_week(title: str) -> str:
    return f"{title}: a usual week"


def usual_week_of(site: str, title: str) -> str:
    return f"{site}, {title}: a usual week"


def week_caption(title: str) -> str:
    return f"{title}: per cent of the plan in busy times of each hour of the week"


def week_legend(busy: float, full: float) -> str:
    return (
        "Per cent of the plan that the five-minute averages of an hour reached or stayed under in 19 of 20 cases. Bold: busy, "
        f"{per_cent(busy)} of the plan or more; bold and underlined: full, {per_cent(full)} or more; a dash: no figures."
    )


def where_it_goes(title: str) -> str:
    return f"{title}: where it is going"


def rests_on(coverage: float, timezone: str, *, lost: bool) -> str:
    bound = "; some records were lost, so figures are lower bounds" if lost else ""
    return (
        f"From the flow records of your router, which cover {per_cent(coverage)} of the time{bound}. Times are local "
        f"({timezone})."
    )


def plan(rate: str) -> str:
    """rate: Mbit/s without the unit."""
    return f"plan {rate} Mbit/s"


def busy_from(rate: str) -> str:
    return f"busy from {rate}"


def trend_description(title: str, days: int, trend: Trend) -> str:
    """What the picture of a trend shows, for those who cannot see it."""
    return (
        f"{title}: {days} days; the trend is {change(trend.percent(trend.slope))} a month, between "
        f"{change(trend.percent(trend.low))} and {change(trend.percent(trend.high))} with 95% confidence."
    )
