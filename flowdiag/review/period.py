"""The period that is reviewed: local times, so that a month is each site's own month."""

from __future__ import annotations

import re
from datetime import UTC, datetime, time, timedelta
from typing import Final

from msgspec import Struct

from flowdiag.collector.store.backends import StorageBackend
from flowdiag.collector.store.finding import find_files
from flowdiag.collector.store.layout import NO_DAY
from flowdiag.durations import DAY_MS
from flowdiag.errors import StoreError, UsageError
from flowdiag.review.flow_days import day_date
from flowdiag.review.partial import SLOT_MS
from flowdiag.site.time_words import Recurring, read_time
from flowdiag.site.window import dated, needs_a_date, resolve_window
from flowdiag.text.wording import review_pages as wording

USUAL_DAYS: Final = 31
# A site's slots of two years fill some tens of MB.
MOST_DAYS: Final = 732
_MONTH: Final = re.compile(r"(\d{4})-(\d{2})")


class Period(Struct, frozen=True):
    """begin, end: ISO 8601 to the minute, local times of each site unless they carry an offset; end is not part of it."""

    begin: str
    end: str

    def span_ms(self, timezone: str) -> tuple[int, int]:
        """[begin, end) of a site in ms since 1970 UTC, on whole slots. Raises UsageError for what cannot be read."""
        begin, end = resolve_window(self.begin, self.end, timezone, None, None)
        if end - begin > MOST_DAYS * DAY_MS:
            raise UsageError(
                f"the period has {(end - begin) // DAY_MS} days", expected=f"at most {MOST_DAYS}"
            )
        return begin // SLOT_MS * SLOT_MS, -(-end // SLOT_MS) * SLOT_MS

    @property
    def words(self) -> str:
        """1 March to 1 April 2026, both days included; with times where it does not begin and end at midnight."""
        begin, end = _midnight(self.begin), _midnight(self.end)
        if begin is None or end is None:
            return wording.times(self.begin.replace("T", " "), self.end.replace("T", " "))
        last = end - timedelta(days=1)
        if begin == last:
            return wording.date(*_ymd(last))
        return wording.days(_ymd(begin), _ymd(last))


def _midnight(text: str) -> datetime | None:
    """None for what is no local midnight."""
    try:
        found = datetime.fromisoformat(text)
    except ValueError:
        return None
    return found if found.tzinfo is None and found.time() == time() else None


def _ymd(day: datetime) -> tuple[int, int, int]:
    return day.year, day.month, day.day


def month_period(text: str) -> Period:
    """The period of a month, YYYY-MM. Raises UsageError."""
    match = _MONTH.fullmatch(text.strip())
    try:
        first = datetime(int(match[1]), int(match[2]), 1) if match else None
    except ValueError:
        first = None
    if first is None or not 1971 <= first.year <= 2105:
        raise UsageError(f"--month: {text[:40]!r} is not a month", expected='one such as "2026-03"')
    following = (first + timedelta(days=32)).replace(day=1)
    return Period(first.isoformat(timespec="minutes"), following.isoformat(timespec="minutes"))


def chosen_period(backend: StorageBackend, month: str | None, begin: str | None, end: str | None) -> Period:
    """The period of the options; USUAL_DAYS up to the newest day in the store where they leave it open.

    Raises UsageError for options that contradict each other or cannot be read; StoreError without a store or flows.
    """
    if month is not None:
        if begin is not None or end is not None:
            raise UsageError("--month does not go together with --from and --to", expected="one of them")
        find_files(backend, frozenset(), (0, 0))  # is there a store at all?
        return month_period(month)
    if end is None or needs_a_date("--from", begin) or needs_a_date("--to", end):
        newest = _end_of_flows(backend)
        begin, end = _with_dates(begin, newest.isoformat() if end is None else end, newest)
    if begin is None:
        try:
            begin = (datetime.fromisoformat(end.strip()) - timedelta(days=USUAL_DAYS)).isoformat()
        except ValueError:
            begin = end  # what is wrong with it is said when it is read
    Period(begin, end).span_ms("UTC")  # says what is wrong with them
    return Period(_to_the_minute(begin), _to_the_minute(end))


def _end_of_flows(backend: StorageBackend) -> datetime:
    """The end of the newest day in the store, as each site's local time. Raises StoreError without a store or flows."""
    days = [file.partition.day for file in find_files(backend) if file.partition.day != NO_DAY]
    if not days:
        raise StoreError(
            "the store holds no flows", file=backend.name, advice='"flowdiag ingest" or "collect" adds some'
        )
    return datetime.combine(day_date(max(days) + 1), time())


def _with_dates(begin: str | None, end: str, newest: datetime) -> tuple[str | None, str]:
    """Both ends with dates, counted back from the newest local midnight; a time of day beside a date needs none."""
    begin_dated, end_dated = dated(
        begin, end, "UTC", None, round(newest.replace(tzinfo=UTC).timestamp() * 1000)
    )

    def settled(text: str, other: str | None, placed: str) -> str:
        when = read_time("time", text)
        beside_a_date = (
            isinstance(when, Recurring)
            and when.weekday is None
            and other is not None
            and not needs_a_date("--to", other)
        )
        return text if isinstance(when, datetime) or beside_a_date else placed.removesuffix("+00:00")

    return (
        None if begin is None or begin_dated is None else settled(begin, end, begin_dated),
        settled(end, begin, end_dated or end),
    )


def _to_the_minute(text: str) -> str:
    """As it was given if it is a time of day alone, which belongs to the day of the other end."""
    try:
        return datetime.fromisoformat(text.strip()).isoformat(timespec="minutes")
    except ValueError:
        return text.strip()
