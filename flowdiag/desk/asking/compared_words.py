"""What people write behind "Compare with", as fixed times: "yesterday", "the same time last week", "monday", or any span.

A day alone means the time asked about on that day, since that is what is compared; with times of its own it is a span as
site/span_words.py reads it.
"""

from __future__ import annotations

import re
from datetime import date, datetime, timedelta
from typing import Final
from zoneinfo import ZoneInfo

from flowdiag.durations import Span
from flowdiag.site.clock import LocalTime
from flowdiag.site.span_words import span_of
from flowdiag.site.time_words import DAYS
from flowdiag.site.window import compared_window

_WEEK: Final = 7
_SAME_TIME: Final = re.compile(
    rf"(?:(?:at\s+)?(?:the\s+)?same\s+time\s+(?:on\s+)?)?(?:the\s+|last\s+)?(?P<day>week(?:\s+before)?|day\s+before|yesterday|{'|'.join(DAYS)})",
    re.IGNORECASE,
)


def compared_times(words: str, asked_ms: Span, timezone: str, first_ms: int | None, end_ms: int) -> str:
    """Begin "to" end, each in ISO 8601 with the site's offset. asked_ms: the time asked about; first_ms: the store's begin;
    end_ms: from when days are counted back. Raises UsageError for what cannot be read, or overlaps the time asked about."""
    begin, end = _same_time(words, asked_ms, timezone, end_ms) or span_of(words)
    text = begin if end is None else f"{begin} to {end}"
    clock = LocalTime(timezone)
    return " to ".join(map(clock.iso, compared_window(text, timezone, first_ms, end_ms, asked_ms)))


def _same_time(words: str, asked_ms: Span, timezone: str, end_ms: int) -> tuple[str, str] | None:
    """The time asked about on another day, by the clock on the wall; None for words that name no day alone."""
    match = _SAME_TIME.fullmatch(" ".join(words.split()))
    if match is None:
        return None
    clock, zone = LocalTime(timezone), ZoneInfo(timezone)
    first, last = (clock.local(ms).astimezone(zone).replace(tzinfo=None) for ms in asked_ms)
    back = _days_back(match["day"].casefold(), first, clock.local(end_ms).date())
    begin, end = ((moment - back * timedelta(days=1)).isoformat() for moment in (first, last))
    return begin, end


def _days_back(day: str, asked: datetime, today: date) -> int:
    if day.startswith("week"):
        return _WEEK
    if day == "day before":
        return 1
    if day == "yesterday":  # of yesterday itself it is the day before
        return (asked.date() - today).days + 1 or 1
    return (asked.weekday() - DAYS.index(day) - 1) % _WEEK + 1
