"""A span of time in one line, as people say it on the telephone, as the two times that site/window.py reads.

"14:10-14:50", "2pm to 3pm", "yesterday afternoon", "tuesday morning", "yesterday", "3 March", "last hour",
"30 minutes", "last night", "since 11", "from 2 to 3", "now".
"""

from __future__ import annotations

import re
from datetime import date, timedelta
from typing import Final

from flowdiag.errors import UsageError
from flowdiag.site.time_words import DAYS, FORMS, MONTHS, NOON

# Who says "now" means the last minutes; the newest flows of a quarter of an hour have been exported by then (active timeouts
# of 60 s to some minutes: common practice, no source).
NOW: Final = "-15m"
# Parts of a day as they are said (common practice, no source).
PARTS: Final = {
    "morning": ("06:00", "12:00"),
    "afternoon": ("12:00", "18:00"),
    "evening": ("18:00", "23:00"),
}
NIGHT: Final = ("yesterday 18:00", "today 06:00")  # the last one
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
_LENGTH: Final = re.compile(r"\d{1,5}\s*(?:m|mins?|minutes?|h|hrs?|hours?|d|days?)", re.IGNORECASE)
_HALF_HOUR: Final = re.compile(r"(?:(?:the\s+)?last\s+)?half\s+(?:an\s+)?hour", re.IGNORECASE)
_HOUR: Final = re.compile(r"\d{1,2}")
_TWELVE: Final = re.compile(r"(?P<hour>\d{1,2})(?:[:.]\d\d)?\s*(?P<half>[ap])\.?m\.?", re.IGNORECASE)
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
    if found := _named(words):
        return found
    bare = _BEGIN.sub("", words)
    parts = [
        part.replace(_KEPT, "-")
        for part in _BETWEEN.split(_DATED.sub(lambda date: date[0].replace("-", _KEPT), bare))
    ]
    if len(parts) == 2 and all(parts):
        return _hour(parts[0], parts[1]), _hour(parts[1])
    if len(parts) > 2:
        raise UsageError(f"{words[:40]!r} names more than two times", expected=FORMS)
    return (bare if bare == words else _hour(bare)), None


def _named(words: str) -> tuple[str, str | None] | None:
    """A span with a name, or a length up to now; None for other words."""
    folded = words.casefold()
    if folded in ("now", "right now"):
        return NOW, None
    if folded == "last night":
        return NIGHT
    if _LENGTH.fullmatch(words):
        return f"last {words}", None
    if _HALF_HOUR.fullmatch(words):
        return "last 30 minutes", None
    return _of_days(words)


def _of_days(words: str) -> tuple[str, str | None] | None:
    """A part of a day, or a whole one."""
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
    return None


def _hour(words: str, until: str = "") -> str:
    """A bare hour as a time: from 13 on by the clock of 24 hours, else of the half of the day that the end says, or of the one
    that time_words.py finds. Other words stay as they are."""
    if not _HOUR.fullmatch(words) or int(words) > 24:
        return words
    hour = int(words)
    if hour == 0 or hour > NOON:
        return f"{hour}:00"
    if end := _TWELVE.fullmatch(until):
        half = end["half"].casefold()
        if hour % NOON >= int(end["hour"]) % NOON:  # 11 to 1pm begins in the morning
            half = "a" if half == "p" else "p"
        return f"{hour}{half}m"
    return f"{hour} o'clock"


def _date(words: str) -> date | None:
    """A date of ISO 8601 and nothing else, which has a day after it."""
    try:
        found = date.fromisoformat(words)
    except ValueError:
        return None
    return found if found < date.max else None
