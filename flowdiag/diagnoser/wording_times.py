"""Times and durations in the sentences of findings, in the site's own zone.

Where the clock is put forward or back within the data, an hour is there twice or not at all; every time then has its
zone, as 02:30 CEST and 02:30 CET.
"""

from __future__ import annotations

from datetime import date
from typing import Final

from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.once import once_per_case
from flowdiag.diagnoser.wording_figures import count
from flowdiag.site.clock import Clock, whole_minute

# No zone changes its clock twice in so short a time, apart from the odd year with a month of fasting.
_BETWEEN_CHANGES_MS: Final = 14 * 86_400_000


def moment(case: Case, ms: int) -> str:
    """ISO 8601 with the site's offset, whole seconds."""
    return _clock(case).iso(ms)


def clock(case: Case, ms: int) -> str:
    """14:05 in the site's zone; Tue 3 Mar 14:05 where that is not the one local day of the window."""
    begin, end = case.window_ms
    days = {_clock(case).local(time).date() for time in (begin, max(end - 1, begin))} | {_date(case, ms)}
    return _dated(case, ms) if len(days) > 1 else _timed(case, ms)


def clocks(case: Case, start_ms: int, end_ms: int) -> tuple[str, str]:
    """Both ends of a span as clock() has them; the day once where both lie on the same, else twice."""
    if _date(case, start_ms) != _date(case, end_ms):
        return _dated(case, start_ms), _dated(case, end_ms)
    return clock(case, start_ms), _timed(case, end_ms)


def span(case: Case, start_ms: int, end_ms: int) -> str:
    """ "from 14:05 to 14:39" in local time."""
    start, end = clocks(case, start_ms, end_ms)
    return f"from {start} to {end}"


def zoned_span(case: Case, start_ms: int, end_ms: int) -> str:
    """ "from 14:05 to 14:39 NZDT" """
    said = span(case, start_ms, end_ms)
    return said if clock_changes(case) else f"{said} {zone_name(case, start_ms)}"


def zone_name(case: Case, ms: int) -> str:
    """NZDT; where a zone has no short name, UTC+13:45."""
    return _clock(case).zone(ms)


@once_per_case
def clock_changes(case: Case) -> bool:
    """Whether the site's clock is put forward or back anywhere in the data or in the window."""
    begin, end = case.usage.start_ms, case.usage.start_ms + case.usage.windows * case.usage.window_ms
    begin, end = min(begin, case.window_ms[0]), max(end, case.window_ms[1])
    times = (*range(begin, end, _BETWEEN_CHANGES_MS), end)
    return len({_clock(case).local(time).utcoffset() for time in times}) > 1


def _timed(case: Case, ms: int) -> str:
    said = _clock(case).time(whole_minute(ms))
    return f"{said} {zone_name(case, ms)}" if clock_changes(case) else said


def _dated(case: Case, ms: int) -> str:
    return f"{_clock(case).short_day(whole_minute(ms))} {_timed(case, ms)}"


def _date(case: Case, ms: int) -> date:
    return _clock(case).local(whole_minute(ms)).date()


def _clock(case: Case) -> Clock:
    return Clock(case.profile.site.timezone)


def duration(ms: float) -> str:
    """Seconds under two minutes, minutes under two hours, else hours with one decimal."""
    if ms < 120_000:
        return count(round(ms / 1000), "second")
    if ms < 7_200_000:
        return count(round(ms / 60_000), "minute")
    return f"{ms / 3_600_000:.1f} hours"
