"""Working hours: "Mon-Fri 08:00-18:00", "24/7", several parts between commas, nights across midnight."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Final

from msgspec import Struct

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

DAYS: Final = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
MINUTES_A_DAY: Final = 1440
MINUTES_A_WEEK: Final = 7 * MINUTES_A_DAY
MAX_TEXT: Final = 400  # characters; seven days with four ranges each need fewer
EPOCH_WEEKDAY: Final = 3  # 1 January 1970 was a Thursday
OFFSET_STEP: Final = 15  # minutes; zones have changed their offset on quarter hours only since 1972

_DAY: Final = r"(?:mon|tues?|wed|thu(?:rs)?|fri|sat|sun)(?:day|nesday|sday|urday)?"
_DAY_PART: Final = re.compile(rf"({_DAY})(?:\s*[-–]\s*({_DAY}))?")
_TIME_PART: Final = re.compile(r"(\d{1,2})(?::(\d\d))?\s*[-–]\s*(\d{1,2})(?::(\d\d))?")


class Hours(Struct, frozen=True):
    """open_ranges: (first minute, minute after the last) of the week, Monday 00:00 is 0; sorted, disjoint."""

    text: str
    open_ranges: tuple[tuple[int, int], ...]

    def is_open(self, epoch_minutes: NDArray[np.int64], timezone: str) -> NDArray[np.bool_]:
        """Which minutes lie in the hours. epoch_minutes: since 1970 UTC, any shape; timezone: IANA name."""
        import numpy as np

        week = np.zeros(MINUTES_A_WEEK, np.bool_)
        for first, after in self.open_ranges:
            week[first:after] = True
        local = epoch_minutes + utc_offsets(epoch_minutes, timezone) + EPOCH_WEEKDAY * MINUTES_A_DAY
        opened: NDArray[np.bool_] = week[local % MINUTES_A_WEEK]
        return opened

    def inner(self, minutes: int) -> Hours:
        """Those that are so long after the begin of work and before its end; around midnight of Sunday it goes on."""
        starts, ends = zip(*self.open_ranges, strict=True) if self.open_ranges else ((), ())
        goes_on = 0 in starts and MINUTES_A_WEEK in ends
        ranges = (
            (
                first if goes_on and first == 0 else first + minutes,
                after if goes_on and after == MINUTES_A_WEEK else after - minutes,
            )
            for first, after in self.open_ranges
        )
        return Hours(self.text, tuple((first, after) for first, after in ranges if first < after))


def utc_offsets(epoch_minutes: NDArray[np.int64], timezone: str) -> NDArray[np.int64]:
    """Minutes by which local time is ahead of UTC, at each of epoch_minutes (since 1970 UTC, any shape)."""
    from datetime import UTC, datetime, timedelta
    from zoneinfo import ZoneInfo

    import numpy as np

    zone = ZoneInfo(timezone)
    epoch = datetime(1970, 1, 1, tzinfo=UTC)

    def offset_at(minute: int) -> int:
        offset = (epoch + timedelta(minutes=minute)).astimezone(zone).utcoffset()
        return 0 if offset is None else int(offset.total_seconds() // 60)

    steps, position = np.unique(epoch_minutes // OFFSET_STEP, return_inverse=True)
    # No zone changes its offset and takes that back within a day: only the days of a change are looked at closely.
    days, day_of = np.unique(steps * OFFSET_STEP // MINUTES_A_DAY, return_inverse=True)
    ends = [[offset_at((day + later) * MINUTES_A_DAY) for later in (0, 1)] for day in days.tolist()]
    offsets = np.array([begin for begin, _ in ends], np.int64)[day_of]
    for day in (number for number, (begin, end) in enumerate(ends) if begin != end):
        for at in np.flatnonzero(day_of == day).tolist():
            offsets[at] = offset_at(int(steps[at]) * OFFSET_STEP)
    return offsets[position].reshape(np.shape(epoch_minutes))


def parse_hours(text: str) -> Hours:
    """Reads working hours. Raises ValueError that says which part cannot be read.

    A part is days and a time range, either may be left out: "Sat" is all of Saturday, "08:00-18:00" is
    daily, and a time range without days after a comma keeps the days before it ("Mon-Fri 08:00-12:00,
    13:00-17:00"). A range that ends at or before its begin is a night, named by the day it begins on: that of
    "Fri 18:00-08:00" ends on Saturday 08:00, and Monday's morning before 08:00 is Sunday's.
    """
    if len(text) > MAX_TEXT:
        raise ValueError(f"it has {len(text)} characters, and {MAX_TEXT} are enough for any week")
    if text.strip() == "24/7":
        return Hours(text, ((0, MINUTES_A_WEEK),))
    ranges: list[tuple[int, int]] = []
    days: tuple[int, ...] = tuple(range(7))
    days_only: tuple[int, ...] = ()  # days listed before their time: "Mon, Wed 09:00-12:00"
    for part in re.split(r"[,;]", text):
        given, times = _read_part(part)
        if given and not times:
            days_only += given
            continue
        if given or days_only:
            days, days_only = days_only + given, ()
        ranges += [
            (day * MINUTES_A_DAY + begin, day * MINUTES_A_DAY + end) for day in days for begin, end in times
        ]
    ranges += [(day * MINUTES_A_DAY, (day + 1) * MINUTES_A_DAY) for day in days_only]
    return Hours(text, _joined(ranges))


def _read_part(part: str) -> tuple[tuple[int, ...], list[tuple[int, int]]]:
    """Days and (begin, end) minutes of one part; end passes 1440 where the range goes on to the next day."""
    rest = part.strip().lower()
    days: tuple[int, ...] = ()
    times: list[tuple[int, int]] = []
    if rest.startswith("daily"):
        days, rest = tuple(range(7)), rest[len("daily") :].strip()
    elif match := _DAY_PART.match(rest):
        first = DAYS.index(match[1][:3])
        last = DAYS.index(match[2][:3]) if match[2] else first
        days = tuple(day % 7 for day in range(first, last + 1 if last >= first else last + 8))
        rest = rest[match.end() :].strip()
    if rest and (match := _TIME_PART.fullmatch(rest)):
        begin, end = _minute(match[1], match[2], part), _minute(match[3], match[4], part)
        if begin == MINUTES_A_DAY:
            raise ValueError(f"{part.strip()!r} begins at 24:00")
        times, rest = [(begin, end if end > begin else end + MINUTES_A_DAY)], ""
    if rest or not (days or times):
        raise ValueError(f"{part.strip()!r} cannot be read as days and a time range")
    return days, times


def _minute(hour: str, minute: str | None, part: str) -> int:
    value = int(hour) * 60 + int(minute or 0)
    if int(minute or 0) > 59 or value > MINUTES_A_DAY:
        raise ValueError(f"{part.strip()!r} has a time that does not exist")
    return value


def _joined(ranges: list[tuple[int, int]]) -> tuple[tuple[int, int], ...]:
    """Sorted and disjoint; what passes the end of Sunday comes back as Monday."""
    week: list[tuple[int, int]] = []
    for begin, end in ranges:
        week.append((begin, min(end, MINUTES_A_WEEK)))
        if end > MINUTES_A_WEEK:
            week.append((0, end - MINUTES_A_WEEK))
    joined: list[tuple[int, int]] = []
    for begin, end in sorted(week):
        if joined and begin <= joined[-1][1]:
            joined[-1] = (joined[-1][0], max(joined[-1][1], end))
        else:
            joined.append((begin, end))
    return tuple(joined)
