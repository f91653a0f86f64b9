"""A span of time in one line, as people say it on the telephone, as the two times that site/window.py reads.

"14:10-14:50", "2pm to 3pm", "yesterday afternoon", "tuesday morning", "yesterday", "3 March", "last hour", "since 14:00", "now".
"""

from __future__ import annotations

import re
from datetime import date, timedelta
from typing import Final

from flowdiag.errors import UsageError
from flowdiag.site.time_words import DAYS, FORMS, MONTHS

# Who says "now" means the last minutes; the newest flows of a quarter of an hour have been exported by then (active timeouts
# of 60 s to some minutes: common practice, no source).
NOW: Final = "-15m"
# Parts of a day as they are said (common practice, no source).
PARTS: Final = {
    "morning": ("06:00", "12:00"),
    "afternoon": ("12:00", "18:00"),
    "evening": ("18:00", "23:00"),
}
MAX_LENGTH: Final = 100
_BETWEEN: Final = re.compile(
    r"\s*(?:[\N{EN DASH}\N{EM DASH}]|\s(?:-|to|until|till)\s|(?<=[\dmM])-(?=\d))\s*", re.IGNORECASE
)
# A date has dashes of its own, and so has an offset behind a time of ISO 8601; offsets are 14 hours at most.
_OFFSET: Final = r"-(?:0\d|1[0-4]):?[0-5]\d(?![:\d])"
_DATED: Final = re.compile(
    rf"\d{{4}}-\d\d-\d\d(?:T\d\d:\d\d(?::\d\d(?:\.\d+)?)?(?:{_OFFSET})?)?", re.IGNORECASE
)
_KEPT: Final = "\N{NON-BREAKING HYPHEN}"
_BEGIN: Final = re.compile(r"^(?:from|between|since|at|around|about)\s+", re.IGNORECASE)
_DAY: Final = rf"(?P<day>(?:today|yesterday|this|(?:last\s+)?(?:{'|'.join(DAYS)})))"
_PART_OF_DAY: Final = re.compile(rf"{_DAY}\s+(?P<part>{'|'.join(PARTS)})", re.IGNORECASE)
_WHOLE_DAY: Final = re.compile(r"today|yesterday", re.IGNORECASE)
_WEEKDAY: Final = "|".join(f"{day[:3]}(?:{day[3:]})?" for day in DAYS)
_MONTH: Final = "|".join(f"{month[:3]}(?:{month[3:]})?" for month in MONTHS)
# A day that is named otherwise; what begins "since" reaches to now.
_NAMED_DAY: Final = re.compile(
    rf"(?:on\s+)?(?P<day>(?:last\s+)?(?:{_WEEKDAY})|(?:(?:{_WEEKDAY}),?\s+)?\d{{1,2}}\s+(?:{_MONTH})(?:\s+\d{{4}})?)",
    re.IGNORECASE,
)


def span_of(text: str) -> tuple[str, str | None]:
    """Begin and end of a span, each as time_words.py reads it; the end None for what reaches to now.

    Raises UsageError for nothing, or for a text that cannot be a span.
    """
    words = " ".join(text.split())
    if not words or len(words) > MAX_LENGTH:
        raise UsageError("no time is given" if not words else "the time is too long a text", expected=FORMS)
    if words.casefold() in ("now", "right now"):
        return NOW, None
    if match := _PART_OF_DAY.fullmatch(words):
        day = "today" if match["day"].casefold() == "this" else match["day"]
        begin, end = PARTS[match["part"].casefold()]
        return f"{day} {begin}", f"{day} {end}"
    if match := _WHOLE_DAY.fullmatch(words):
        return (words, None) if words.casefold() == "today" else (words, "today")
    if match := _NAMED_DAY.fullmatch(words):
        return match["day"], f"{match['day']} 24:00"
    if day := _date(words):
        return words, (day + timedelta(days=1)).isoformat()
    bare = _BEGIN.sub("", words)
    parts = [
        part.replace(_KEPT, "-")
        for part in _BETWEEN.split(_DATED.sub(lambda date: date[0].replace("-", _KEPT), bare))
    ]
    if len(parts) == 2 and all(parts):
        return parts[0], parts[1]
    if len(parts) > 2:
        raise UsageError(f"{words[:40]!r} names more than two times", expected=FORMS)
    return bare, None


def _date(words: str) -> date | None:
    """A date of ISO 8601 and nothing else, which has a day after it."""
    try:
        found = date.fromisoformat(words)
    except ValueError:
        return None
    return found if found < date.max else None
