"""Times of a request: words of time as people type them, and times of an address."""

from __future__ import annotations

import time
from datetime import datetime
from typing import Final
from zoneinfo import ZoneInfo

from flowdiag.desk.asked import Asked
from flowdiag.desk.asking.note_question import Times, TimesQuestion
from flowdiag.errors import UsageError
from flowdiag.site.span_words import span_of
from flowdiag.site.window import COMPARE
from flowdiag.text.wording.desk import ask as wording

MINUTE_S: Final = 60
# What the commands call the fields of a form.
_FIELDS: Final = {
    COMPARE: wording.BESIDE,
    "--from and --to name": wording.WHEN_NAMES,
    "--from": wording.BEGIN,
    "--to": wording.END,
}


async def typed_times(asked: Asked, when: str, beside: str | None = None) -> Times:
    """What words of time mean at the minute that has begun, so that all who say "last hour" within it ask the same. beside:
    another time to compare with. Raises UsageError for what cannot be read."""
    begin, end = span_of(when)
    now_ms = round(time.time()) // MINUTE_S * MINUTE_S * 1000
    question = TimesQuestion(asked.desk.settings.store, asked.the_site.file, begin, end, now_ms, beside)
    found: Times = await asked.desk.answers.answer(question)
    return found


def moment(asked: Asked, name: str, text: str | None) -> datetime:
    """A time of the address, called name; without an offset it is the site's. Raises UsageError."""
    given = text or ""
    try:
        found = datetime.fromisoformat(given)
    except ValueError:
        raise UsageError(
            f"{name}: {given[:40]!r} is no time", expected="ISO 8601 such as 2026-03-02T14:00"
        ) from None
    return found if found.tzinfo is not None else found.replace(tzinfo=ZoneInfo(asked.the_site.timezone))


def in_words_of_the_form(error: UsageError) -> str:
    """What is wrong with words of time, for somebody who knows no options of commands."""
    said = str(error)
    for option, field in _FIELDS.items():
        said = said.replace(option, field)
    return said
