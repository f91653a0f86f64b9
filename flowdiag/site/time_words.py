"""Times as people write them, read into what they mean before anything is known of an export.

ISO 8601 (`2026-03-02T14:00`, with or without an offset), a time of day (`14:00`, `2pm`, `2:30 pm`), that of a named day
(`yesterday 14:00`, `tuesday 2pm`, `last tuesday`, `3 March 14:00`), and a length of time back from the end of what there is
(`-2h`, `2 hours ago`, `last hour`, `now`). site/window.py places them.
"""

from __future__ import annotations

import re
from datetime import date, datetime, timedelta
from typing import Final

from msgspec import Struct

from flowdiag.errors import NotATime

DAYS: Final = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")
MONTHS: Final = (
    *("january", "february", "march", "april", "may", "june", "july"),
    *("august", "september", "october", "november", "december"),
)
FORMS: Final = (
    '"14:00", "2pm", "yesterday 14:00", "tuesday 2pm", "2 March 14:00", "last hour", "-2h", "2026-03-02T14:00" or '
    '"2026-03-02T14:00+13:00"'
)
MAX_SHOWN: Final = 40  # characters of what was written that an error repeats
NOON: Final = 12
LEAP_YEAR: Final = 2000  # one that has every day
_DAY: Final = timedelta(days=1)
_HOUR: Final = timedelta(hours=1)

_TIME: Final = (
    r"(?P<hours>\d{1,2})(?:[:.h](?P<minutes>\d\d)(?::(?P<seconds>\d\d))?)?\s*(?P<half>[ap]\.?m\.?)?"
)
_WEEKDAY: Final = "|".join(f"{day[:3]}(?:{day[3:]})?" for day in DAYS)
_MONTH: Final = "|".join(f"{month[:3]}(?:{month[3:]})?" for month in MONTHS)
# As notes write it: Tue 3 Mar, Tuesday 3 March 2026.
_CALENDAR: Final = (
    rf"(?:(?:{_WEEKDAY}),?\s+)?(?P<day>\d{{1,2}})\s+(?P<month>{_MONTH})(?:\s+(?P<year>\d{{4}}))?"
)
_DATE: Final = rf"(?P<near>today|yesterday)|(?P<last>last\s+)?(?P<weekday>{_WEEKDAY})"
_UNIT: Final = (
    r"(?P<unit>s|secs?|seconds?|m|mins?|minutes?|h|hrs?|hours?|d|days?|w|weeks?)"  # by their first letter
)
_UNITS: Final = {
    "s": timedelta(seconds=1),
    "m": timedelta(minutes=1),
    "h": _HOUR,
    "d": _DAY,
    "w": timedelta(weeks=1),
}
_OCLOCK: Final = r"(?P<hour>1[0-2]|[1-9])\s*o'?\s?clock"
# Patterns as text: re compiles them when they are first asked, which most runs never do, and keeps them.
_DAY_FORMS: Final = (
    rf"(?:{_DATE})(?:,?\s+(?:at\s+)?{_TIME})?",
    rf"{_TIME}\s+(?:on\s+)?(?:{_DATE})",
)
_CALENDAR_FORMS: Final = (
    rf"{_CALENDAR}(?:,?\s+(?:at\s+)?{_TIME})?",
    rf"{_TIME}\s+(?:on\s+)?{_CALENDAR}",
)
_BACK_FORMS: Final = (
    rf"-\s*(?P<count>\d{{1,5}})\s*{_UNIT}",
    rf"(?P<count>\d{{1,5}})\s*{_UNIT}\s+ago",
    rf"(?:the\s+)?last\s+(?:(?P<count>\d{{1,5}})\s*)?{_UNIT}",
)


class Back(Struct, frozen=True):
    """A length of time before the end of what there is."""

    length: timedelta


class OnDay(Struct, frozen=True):
    """A time of a day counted back from the day of the end. weekday: Monday is 0, the last such day before that of the
    end; None for `days` before it."""

    clock: timedelta
    days: int = 0
    weekday: int | None = None


class OnDate(Struct, frozen=True):
    """A time on a day of the calendar, of the last year that has it before the end."""

    clock: timedelta
    month: int
    day: int


class Recurring(Struct, frozen=True):
    """A time of day that comes every day, or every week on a weekday (Monday is 0). twice: of each day, as 2 o'clock does,
    whose clock is that of the morning."""

    clock: timedelta
    weekday: int | None = None
    twice: bool = False

    def halves(self) -> tuple[Recurring, ...]:
        """What comes once a day, or once a week, at all of its times."""
        if not self.twice:
            return (self,)
        return tuple(Recurring(self.clock + half * NOON * _HOUR, self.weekday) for half in (0, 1))


When = datetime | Back | OnDay | OnDate | Recurring


def read_time(option: str, text: str) -> When:
    """What a text means; a datetime without an offset is the site's local time. option: named in the error.

    Raises UsageError that lists the forms.
    """
    words = " ".join(text.lower().split())
    found = _spoken(words)
    if found is None:
        try:
            return datetime.fromisoformat(text.strip())
        except ValueError:
            shown = text.strip()[:MAX_SHOWN]
            raise NotATime(f"{option}: {shown!r} is not a time", expected=FORMS) from None
    return found


def _spoken(words: str) -> When | None:
    if words == "now":
        return Back(timedelta())
    for form in _BACK_FORMS:
        if match := re.fullmatch(form, words):
            return Back(int(match["count"] or 1) * _UNITS[match["unit"][0]])
    if match := re.fullmatch(_TIME, words):
        clock = _clock(match)
        return None if clock is None else Recurring(clock)
    if match := re.fullmatch(_OCLOCK, words):
        return Recurring(int(match["hour"]) % NOON * _HOUR, twice=True)
    for form in _DAY_FORMS:
        if match := re.fullmatch(form, words):
            clock = timedelta() if match["hours"] is None else _clock(match)
            return None if clock is None else _of_day(match, clock)
    for form in _CALENDAR_FORMS:
        if match := re.fullmatch(form, words):
            clock = timedelta() if match["hours"] is None else _clock(match)
            return None if clock is None else _of_calendar(match, clock)
    return None


def _of_day(match: re.Match[str], clock: timedelta) -> OnDay | Recurring:
    if match["near"]:
        return OnDay(clock, days=int(match["near"] == "yesterday"))
    weekday = next(number for number, day in enumerate(DAYS) if day.startswith(match["weekday"][:3]))
    return OnDay(clock, weekday=weekday) if match["last"] else Recurring(clock, weekday)


def _of_calendar(match: re.Match[str], clock: timedelta) -> datetime | OnDate | None:
    """None for a day that no month, or not that year's, has."""
    month = next(n for n, name in enumerate(MONTHS, 1) if name.startswith(match["month"][:3]))
    try:
        day = date(int(match["year"] or LEAP_YEAR), month, int(match["day"]))
    except ValueError:
        return None
    if match["year"]:
        return datetime(day.year, day.month, day.day) + clock if day.year < date.max.year else None
    return OnDate(clock, day.month, day.day)


def _clock(match: re.Match[str]) -> timedelta | None:
    """The time since midnight, 24:00 at most; None for what no clock shows, and for a bare number."""
    hours, minutes, seconds = (int(match[name] or 0) for name in ("hours", "minutes", "seconds"))
    if match["half"]:
        if not 1 <= hours <= NOON:
            return None
        hours = hours % NOON + (NOON if match["half"].startswith("p") else 0)
    elif match["minutes"] is None:
        return None
    clock = timedelta(hours=hours, minutes=minutes, seconds=seconds)
    return clock if minutes < 60 and seconds < 60 and clock <= _DAY else None
