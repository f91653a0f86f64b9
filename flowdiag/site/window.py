"""From what a person writes behind --from and --to to the window in milliseconds.

Times without a date are placed by the end of what there is: the end of an export, or the moment of asking where a store
is being filled (query_times.py). So the same words about the same file mean the same time for ever.
"""

from __future__ import annotations

import re
from calendar import isleap
from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from typing import Final
from zoneinfo import ZoneInfo

from flowdiag.durations import MINUTE_MS
from flowdiag.errors import OverlappingSpan, UsageError, WrongSpan
from flowdiag.site.clock import LocalTime
from flowdiag.site.time_words import FORMS, Back, OnDate, OnDay, Recurring, When, read_time

FIRST_YEAR, LAST_YEAR = 1971, 2105  # what export times can mean: 32-bit seconds since 1970 (RFC 7011 3.1)
# "23:00" to "01:00" is meant over midnight; what would be longer than half a day, such as "15:00" to "14:00", is a slip.
MOST_OVER_MIDNIGHT: Final = timedelta(hours=12)
YEARS_TO_29_FEBRUARY: Final = 8  # at most, as from 2096 to 2104
COMPARE: Final = "--compare"
_UNTIL: Final = re.compile(r"\s+(?:to|until)\s+", re.IGNORECASE)
_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)
_DAY: Final = timedelta(days=1)
_WEEK: Final = 7


def resolve_window(
    window_from: str | None,
    window_to: str | None,
    timezone: str,
    first_ms: int | None,
    last_ms: int | None,
) -> tuple[int, int]:
    """The window [from, to) in ms since 1970 UTC.

    window_from, window_to: as time_words.py reads them; None is the export's own end. timezone: IANA name of the
    site's zone, in which times without an offset are; first_ms, last_ms: the export's span, None if it has no times.
    A time of day without a date is on the export's local day if it has one only, else the last such time not after
    its end; beside another end of the window it is next to that. Where clocks are put back, a begin means the earlier
    of the two times and an end the later. Raises UsageError for what cannot be read, for a local time that a change
    of the clock left out, and for a window that ends before it begins.
    """
    begin_ms, end_ms = _Placing(timezone, first_ms, last_ms).window(window_from, window_to)
    if begin_ms is not None and end_ms is not None:
        if end_ms <= begin_ms:
            clock = LocalTime(timezone)
            begin, end = (clock.local(ms).isoformat(timespec="minutes") for ms in (begin_ms, end_ms))
            raise WrongSpan(
                f"the window begins at {begin} and ends at {end}",
                span_ms=(begin_ms, end_ms),
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


def dated(
    window_from: str | None,
    window_to: str | None,
    timezone: str,
    first_ms: int | None,
    last_ms: int | None,
) -> tuple[str | None, str | None]:
    """The same ends of a window as ISO 8601 with the site's offset, which mean the same wherever they are read again;
    None stays. Arguments and errors as for resolve_window()."""
    ends = _Placing(timezone, first_ms, last_ms).window(window_from, window_to)
    begin, end = (None if ms is None else LocalTime(timezone).local(ms).isoformat() for ms in ends)
    return begin, end


def needs_a_date(option: str, text: str | None) -> bool:
    """Whether a text means a time only beside the end of an export or of the window. option: named in errors.

    Raises UsageError for what cannot be read.
    """
    return text is not None and not isinstance(read_time(option, text), datetime)


def read_compared(text: str) -> tuple[When, When | None]:
    """Begin and end of what stands behind --compare: a time, or one "to" another; the end of a time alone is None.

    Raises UsageError for what cannot be read.
    """
    begin, *rest = _UNTIL.split(text.strip(), maxsplit=1)
    return read_time(COMPARE, begin), read_time(COMPARE, rest[0]) if rest else None


def compared_window(
    text: str, timezone: str, first_ms: int | None, last_ms: int | None, asked_ms: tuple[int, int]
) -> tuple[int, int]:
    """The window [from, to) in ms that is held beside the one asked about.

    text: as read_compared() reads it; a time alone begins a window as long as the one asked about. timezone, first_ms,
    last_ms: as for resolve_window(). Days and lengths of time are counted back from the end of the export; a time of day
    without a date is on the export's one local day, or else the last before the time asked about. Raises UsageError for
    what cannot be read or placed, for a window that ends before it begins, and for one that overlaps the one asked about.
    """
    placing = _Placing(timezone, first_ms, last_ms, (COMPARE, COMPARE))
    begin_ms, end_ms = placing.beside(*read_compared(text), asked_ms)
    clock = LocalTime(timezone)
    begin, end = (clock.local(ms).isoformat(timespec="minutes") for ms in (begin_ms, end_ms))
    if end_ms <= begin_ms:
        raise WrongSpan(
            f"{COMPARE}: the window begins at {begin} and ends at {end}",
            span_ms=(begin_ms, end_ms),
            expected="a later end",
        )
    if begin_ms < asked_ms[1] and asked_ms[0] < end_ms:
        raise OverlappingSpan(
            f"{COMPARE}: {begin} to {end} overlaps the time asked about",
            span_ms=(begin_ms, end_ms),
            expected="another time",
            advice="--from and --to name the time asked about",
        )
    return begin_ms, end_ms


class _Placing:
    """Both ends of a window in one zone, beside one span of an export. options: where begin and end were given."""

    def __init__(
        self,
        timezone: str,
        first_ms: int | None,
        last_ms: int | None,
        options: tuple[str, str] = ("--from", "--to"),
    ) -> None:
        self._zone = ZoneInfo(timezone)
        self._clock = LocalTime(timezone)
        self._first_ms = first_ms
        self._last_ms = last_ms
        self._from, self._to = options

    def window(self, window_from: str | None, window_to: str | None) -> tuple[int | None, int | None]:
        begin = None if window_from is None else read_time(self._from, window_from)
        end = None if window_to is None else read_time(self._to, window_to)
        if isinstance(begin, Recurring) and end is not None and not isinstance(end, Recurring):
            end_ms = self._fixed(self._to, end, fold=1)
            return self._before(begin, end_ms), end_ms
        begin_ms = self._alone(self._from, begin, fold=0)
        if isinstance(end, Recurring) and begin_ms is not None:
            return begin_ms, self._after(end, begin_ms)
        return begin_ms, self._alone(self._to, end, fold=1)

    def beside(self, begin: When, end: When | None, asked_ms: tuple[int, int]) -> tuple[int, int]:
        """A window beside the one asked about, and as long where it has no end of its own."""

        def until(begin_ms: int) -> int:
            if end is None:
                return begin_ms + asked_ms[1] - asked_ms[0]
            if isinstance(end, Recurring):
                return self._after(end, begin_ms)
            return self._fixed(self._to, end, fold=1)

        if not isinstance(begin, Recurring):
            begin_ms = self._fixed(self._from, begin, fold=0)
        elif end is not None and not isinstance(end, Recurring):
            begin_ms = self._before(begin, until(0))
        else:
            begin_ms = max(self._clear_of(half, until, asked_ms[0]) for half in begin.halves())
        return begin_ms, until(begin_ms)

    def _clear_of(self, begin: Recurring, until: Callable[[int], int], asked_ms: int) -> int:
        """The last such time of which the window ends before the one asked about begins; on an export's one day that day's."""
        if begin.weekday is None and self._has_one_day():
            return self._on(self._from, self._last_day(self._from), begin.clock, fold=0)
        day = self._day(asked_ms)
        day -= _DAY * (0 if begin.weekday is None else (day.weekday() - begin.weekday) % _WEEK)
        while until(begin_ms := self._on(self._from, day, begin.clock, fold=0)) > asked_ms:
            day -= _step(begin) * _DAY
        return begin_ms

    def _has_one_day(self) -> bool:
        return self._last_ms is not None and self._day(self._first_ms or 0) == self._last_day(self._from)

    def _alone(self, option: str, when: When | None, fold: int) -> int | None:
        if when is None:
            return None
        if isinstance(when, Recurring):
            return self._latest(option, when, fold)
        return self._fixed(option, when, fold)

    def _fixed(self, option: str, when: datetime | Back | OnDay | OnDate, fold: int) -> int:
        if isinstance(when, datetime):
            if not FIRST_YEAR <= when.year <= LAST_YEAR:
                raise UsageError(f"{option}: the year {when.year} is out of range", expected=FORMS)
            return self._instant(option, when, fold) if when.tzinfo is None else _ms(when)
        if isinstance(when, Back):
            return self._in_range(option, self._end(option) - when.length // timedelta(milliseconds=1))
        today = self._last_day(option)
        if isinstance(when, OnDate):
            return self._on(option, _last_date(when, today), when.clock, fold)
        back = when.days if when.weekday is None else (today.weekday() - when.weekday - 1) % _WEEK + 1
        return self._on(option, today - back * _DAY, when.clock, fold)

    def _latest(self, option: str, when: Recurring, fold: int) -> int:
        """The last such time that is not after the end; on the export's one day whatever its end."""
        placed = [self._latest_of_a_day(option, half, fold) for half in when.halves()]
        return max((ms for ms in placed if ms <= self._end(option)), default=min(placed))

    def _latest_of_a_day(self, option: str, when: Recurring, fold: int) -> int:
        last_day = self._last_day(option)
        if when.weekday is None and self._has_one_day():
            return self._on(option, last_day, when.clock, fold)
        back = 0 if when.weekday is None else (last_day.weekday() - when.weekday) % _WEEK
        placed = self._on(option, last_day - back * _DAY, when.clock, fold)
        if placed <= self._end(option):
            return placed
        return self._on(option, last_day - (back + _step(when)) * _DAY, when.clock, fold)

    def _after(self, end: Recurring, begin_ms: int) -> int:
        """The first such time after the begin; for a time of day over midnight only if that is near."""
        placed = [self._after_of_a_day(half, begin_ms) for half in end.halves()]
        return min((ms for ms in placed if ms > begin_ms), default=max(placed))

    def _after_of_a_day(self, end: Recurring, begin_ms: int) -> int:
        day = self._day(begin_ms)
        ahead = 0 if end.weekday is None else (end.weekday - day.weekday()) % _WEEK
        return self._near(
            end, day + ahead * _DAY, _step(end), lambda ms: ms - begin_ms, option=self._to, fold=1
        )

    def _before(self, begin: Recurring, end_ms: int) -> int:
        """The last such time before the end; for a time of day over midnight only if that is near."""
        placed = [self._before_of_a_day(half, end_ms) for half in begin.halves()]
        return max((ms for ms in placed if ms < end_ms), default=min(placed))

    def _before_of_a_day(self, begin: Recurring, end_ms: int) -> int:
        day = self._day(end_ms)
        back = 0 if begin.weekday is None else (day.weekday() - begin.weekday) % _WEEK
        return self._near(
            begin, day - back * _DAY, -_step(begin), lambda ms: end_ms - ms, option=self._from, fold=0
        )

    def _near(
        self, when: Recurring, day: date, step: int, length: Callable[[int], int], *, option: str, fold: int
    ) -> int:
        """The time on a day, or a step of days further where the window would have no length otherwise."""
        placed = self._on(option, day, when.clock, fold)
        if length(placed) > 0:
            return placed
        further = self._on(option, day + step * _DAY, when.clock, fold)
        over_midnight = timedelta(milliseconds=length(further))
        return further if when.weekday is not None or over_midnight <= MOST_OVER_MIDNIGHT else placed

    def _end(self, option: str) -> int:
        if self._last_ms is None:
            raise UsageError(f"{option} needs a date, since the export has no times", expected=FORMS)
        return self._last_ms

    def _day(self, ms: int) -> date:
        return self._clock.local(ms).date()

    def _last_day(self, option: str) -> date:
        """The local day of the export's last moment: midnight at its end begins no day of its own."""
        return self._day(max(self._end(option) - 1, self._first_ms or 0))

    def _on(self, option: str, day: date, clock: timedelta, fold: int) -> int:
        return self._instant(option, datetime(day.year, day.month, day.day) + clock, fold)

    def _instant(self, option: str, local: datetime, fold: int) -> int:
        """A local time in ms. Raises UsageError for one that a change of the clock left out, unless it is midnight, which
        stands for the begin of the day."""
        placed = local.replace(tzinfo=self._zone, fold=0)
        shown = placed.astimezone(UTC).astimezone(self._zone)
        if shown.replace(tzinfo=None) != local:  # PEP 495: the times of a gap do not come back as they went
            if local.hour or local.minute:
                raise UsageError(
                    f"{option}: on {local.date()} there was no {local:%H:%M} in {self._zone.key}, since the clocks were put "
                    "forward",
                    expected=f'a time that they showed, such as "{shown:%Y-%m-%dT%H:%M}"',
                )
            return self._in_range(option, _ms(placed))
        return self._in_range(option, _ms(placed.replace(fold=fold)))

    def _in_range(self, option: str, ms: int) -> int:
        year = self._clock.local(ms).year
        if ms < 0 or not FIRST_YEAR - 1 <= year <= LAST_YEAR + 1:
            raise UsageError(f"{option}: that is a time out of range", expected=FORMS)
        return ms


def _last_date(when: OnDate, today: date) -> date:
    """The last day of that month and number up to today."""
    years = range(today.year, today.year - YEARS_TO_29_FEBRUARY - 1, -1)
    days = (
        date(year, when.month, when.day)
        for year in years
        if (when.month, when.day) != (2, 29) or isleap(year)
    )
    return next(day for day in days if day <= today)


def _step(when: Recurring) -> int:
    """Days until it comes again."""
    return 1 if when.weekday is None else _WEEK


def _ms(moment: datetime) -> int:
    return round((moment - _EPOCH) / timedelta(milliseconds=1))
