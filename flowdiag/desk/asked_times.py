"""Times of a request: words of time as people type them, and times of an address."""

from __future__ import annotations

import re
import time
from datetime import datetime
from typing import Final
from zoneinfo import ZoneInfo

from msgspec.structs import replace

from flowdiag.desk.asked import Asked
from flowdiag.desk.asking.note_question import Times, TimesQuestion
from flowdiag.durations import DAY_MS
from flowdiag.errors import NotATime, OverlappingSpan, UsageError, WrongSpan
from flowdiag.site.span_words import span_of
from flowdiag.text.clock import Clock
from flowdiag.text.wording.desk import ask as wording

MINUTE_S: Final = 60
LONGEST_SHOWN: Final = 40  # letters of what was typed that a message repeats
_OPTION: Final = re.compile(r"^--\w+:? ")  # what the commands call a field


class WrongTime(UsageError):
    """Words of time that cannot be read, said in words of the form. field: its name there."""

    def __init__(self, what: str, field: str = wording.WHEN_FIELD) -> None:
        super().__init__(what)
        self.field = field


async def typed_times(asked: Asked, when: str, beside: str | None = None) -> Times:
    """What words of time mean at the minute that has begun, so that all who say "last hour" within it ask the same. beside:
    another time to compare with. Raises WrongTime for what cannot be read."""
    now_ms = round(time.time()) // MINUTE_S * MINUTE_S * 1000
    question = None
    try:
        begin, end = span_of(when)
        question = TimesQuestion(asked.desk.settings.store, asked.the_site.file, begin, end, now_ms)
        found: Times = await asked.desk.answers.answer(question)
    except UsageError as error:
        to_now = question is not None and question.window_to is None
        raise WrongTime(_told(asked, wording.WHEN_FIELD, when, error, to_now, now_ms)) from error
    if beside is None:
        return found
    try:
        compared: Times = await asked.desk.answers.answer(replace(question, beside=beside))
    except UsageError as error:
        told = _told(asked, wording.BESIDE_FIELD, beside, error, False, now_ms)
        raise WrongTime(told, wording.BESIDE_FIELD) from error
    return compared


def _told(asked: Asked, field: str, words: str, error: UsageError, to_now: bool, now_ms: int) -> str:
    """What is wrong with what was typed, for somebody who knows no options of commands. to_now: it names a begin alone."""
    clock = Clock(asked.the_site.timezone)
    match error:
        case NotATime():
            said = wording.no_time(words[:LONGEST_SHOWN])
        case OverlappingSpan(span_ms=span):
            said = wording.overlaps(clock.full_span(*span))
        case WrongSpan(span_ms=(begin, _)) if begin >= now_ms:
            moment = f"{clock.time(begin)} {clock.zone(begin)}"
            today = clock.same_day(now_ms, begin + 1)
            earlier = clock.time(begin) if today and begin - now_ms < DAY_MS else None
            said = wording.still_to_come(moment, None if today else clock.day(begin), earlier)
        case WrongSpan(span_ms=(begin, _)) if to_now:
            said = wording.after_the_newest(f"{clock.day(begin)}, {clock.time(begin)} {clock.zone(begin)}")
        case WrongSpan(span_ms=(begin, end)):
            said = wording.ends_first(*(f"{clock.day(ms)}, {clock.time(ms)}" for ms in (begin, end)))
        case _:
            said = _OPTION.sub("", error.what)
    return wording.fault(field, said)


def moment(asked: Asked, name: str, text: str | None) -> datetime:
    """A time of the address, called name; without an offset it is the site's. Raises UsageError."""
    given = text or ""
    try:
        found = datetime.fromisoformat(given)
    except ValueError:
        raise UsageError(
            f"{name}: {given[:LONGEST_SHOWN]!r} is no time", expected="ISO 8601 such as 2026-03-02T14:00"
        ) from None
    return found if found.tzinfo is not None else found.replace(tzinfo=ZoneInfo(asked.the_site.timezone))
