"""From what a person writes behind --from and --to to the window in milliseconds."""

from __future__ import annotations

import re
from datetime import UTC, date, datetime, time, timedelta
from typing import Final
from zoneinfo import ZoneInfo

from flowdiag.errors import UsageError

MINUTE_MS: Final = 60_000
MAX_DAYS_LISTED: Final = 5
FIRST_YEAR, LAST_YEAR = 1971, 2105  # what export times can mean: 32-bit seconds since 1970 (RFC 7011 3.1)
EXAMPLES: Final = '"2026-03-02T14:00", "2026-03-02T14:00+13:00" or "14:00"'

_CLOCK: Final = re.compile(r"(\d{1,2}):(\d\d)(?::(\d\d))?")


def resolve_window(
    window_from: str | None,
    window_to: str | None,
    timezone: str,
    first_ms: int | None,
    last_ms: int | None,
) -> tuple[int, int]:
    """The window [from, to) in ms since 1970 UTC.

    window_from, window_to: ISO 8601 with an offset, or without one in the site's zone, or HH:MM on the one
    local day that the export covers (or on the day of the other end where that has a date); None is the
    export's own end. timezone: IANA name; first_ms, last_ms: the export's span, None if it has no times.
    Where clocks are put back, a begin means the earlier of the two times and an end the later. Raises
    UsageError for what cannot be read and for a window that ends before it begins.
    """
    zone = ZoneInfo(timezone)
    begin = _read("--from", window_from)
    end = _read("--to", window_to)
    begin_ms = _placed("--from", begin, end, zone, first_ms, last_ms, fold=0)
    end_ms = _placed("--to", end, begin, zone, first_ms, last_ms, fold=1)
    if begin_ms is not None and end_ms is not None:
        if end_ms <= begin_ms:
            raise UsageError(
                f"the window begins at {_shown(begin_ms, zone)} and ends at {_shown(end_ms, zone)}",
                expected="--to after --from",
            )
        return begin_ms, end_ms
    if begin_ms is not None:  # to the end of the export, which may lie before it
        return begin_ms, max(begin_ms + MINUTE_MS, last_ms or 0)
    if end_ms is not None:
        return min(end_ms - MINUTE_MS, end_ms if first_ms is None else first_ms), end_ms
    if first_ms is None or last_ms is None:
        return 0, MINUTE_MS
    return first_ms, max(last_ms, first_ms + 1)


def local_days(first_ms: int, last_ms: int, timezone: str) -> list[date]:
    """The local days that [first_ms, last_ms) touches, at most MAX_DAYS_LISTED + 1 of them."""
    zone = ZoneInfo(timezone)
    day, last = _local(first_ms, zone).date(), _local(max(last_ms - 1, first_ms), zone).date()
    days = [day]
    while day < last and len(days) <= MAX_DAYS_LISTED:
        day += timedelta(days=1)
        days.append(day)
    return days


def _read(option: str, text: str | None) -> datetime | timedelta | None:
    """A point in time, or the time since midnight of a day yet to be found."""
    if text is None:
        return None
    if match := _CLOCK.fullmatch(text.strip()):
        hours, minutes, seconds = int(match[1]), int(match[2]), int(match[3] or 0)
        clock = timedelta(hours=hours, minutes=minutes, seconds=seconds)
        if minutes < 60 and seconds < 60 and clock <= timedelta(days=1):
            return clock
    else:
        try:
            return datetime.fromisoformat(text.strip())
        except ValueError:
            pass
    raise UsageError(f"{option}: {text[:40]!r} is not a time", expected=EXAMPLES)


def _placed(
    option: str,
    point: datetime | timedelta | None,
    other: datetime | timedelta | None,
    zone: ZoneInfo,
    first_ms: int | None,
    last_ms: int | None,
    *,
    fold: int,
) -> int | None:
    if point is None:
        return None
    if isinstance(point, timedelta):
        if isinstance(other, datetime):
            day = (other if other.tzinfo is None else other.astimezone(zone)).date()
        else:
            day = _only_day(option, zone, first_ms, last_ms)
        point = datetime.combine(day, time()) + point
    if not FIRST_YEAR <= point.year <= LAST_YEAR:
        raise UsageError(f"{option}: the year {point.year} is out of range", expected=EXAMPLES)
    placed = point.replace(tzinfo=zone, fold=fold) if point.tzinfo is None else point
    return round((placed - datetime(1970, 1, 1, tzinfo=UTC)) / timedelta(milliseconds=1))


def _only_day(option: str, zone: ZoneInfo, first_ms: int | None, last_ms: int | None) -> date:
    if first_ms is None or last_ms is None:
        raise UsageError(f"{option} needs a date, since the export has no times", expected=EXAMPLES)
    days = local_days(first_ms, last_ms, zone.key)
    if len(days) > 1:
        listed = ", ".join(day.isoformat() for day in days[:MAX_DAYS_LISTED])
        more = f" and more until {_local(last_ms - 1, zone).date()}" if len(days) > MAX_DAYS_LISTED else ""
        raise UsageError(
            f"{option} needs a date, since the export covers several days in {zone.key}: {listed}{more}",
            expected=EXAMPLES,
        )
    return days[0]


def _local(time_ms: int, zone: ZoneInfo) -> datetime:
    return (datetime(1970, 1, 1, tzinfo=UTC) + timedelta(milliseconds=time_ms)).astimezone(zone)


def _shown(time_ms: int, zone: ZoneInfo) -> str:
    return _local(time_ms, zone).isoformat(timespec="minutes")
