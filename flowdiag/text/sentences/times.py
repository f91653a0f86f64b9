"""Times and durations in the sentences of findings, in the site's own zone.

Where the clock is put forward or back within the data, an hour is there twice or not at all; every time then has its
zone, as 02:30 CEST and 02:30 CET.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from functools import lru_cache
from typing import Final

from flowdiag.durations import MINUTE_MS, SECOND_MS
from flowdiag.text.asked import Asked
from flowdiag.text.clock import Clock, duration

# No zone changes its clock twice in so short a time, apart from the odd year with a month of fasting.
_BETWEEN_CHANGES_MS: Final = 14 * 86_400_000
# As many spells as a client reads one by one.
MOST_TOLD: Final = 4


def moment(case: Asked, ms: int) -> str:
    """ISO 8601 with the site's offset, whole seconds."""
    return site_clock(case).iso(ms)


def clock(case: Asked, ms: int) -> str:
    """14:05 in the site's zone; Tue 3 Mar 14:05 where that is not the one local day of the window."""
    told = site_clock(case).told(ms)
    return _placed(case, told, site_clock(case).time(told), dated=not _on_the_day(case, told))


def clocks(case: Asked, start_ms: int, end_ms: int) -> tuple[str, str]:
    """Both ends of a span as clock() has them; the day once where both lie on the same, else twice."""
    the_clock = site_clock(case)
    begin, end = the_clock.times(start_ms, end_ms)
    start_ms, end_ms = the_clock.ends(start_ms, end_ms)
    two_days = _date(case, start_ms) != _date(case, end_ms)
    dated = two_days or not _on_the_day(case, start_ms)
    return _placed(case, start_ms, begin, dated=dated), _placed(case, end_ms, end, dated=two_days)


def beginning(case: Asked, start_ms: int, end_ms: int) -> str:
    """When a span began, as precisely as both of its ends are told."""
    the_clock = site_clock(case)
    told, _ = the_clock.ends(start_ms, end_ms)
    return _placed(case, told, the_clock.time(told), dated=not _on_the_day(case, told))


def span(case: Asked, start_ms: int, end_ms: int) -> str:
    """ "from 14:05 to 14:39" in local time."""
    start, end = clocks(case, start_ms, end_ms)
    return f"from {start} to {end}"


def spells(case: Asked, parts: Sequence[tuple[int, int]]) -> str:
    """ "from 14:05 to 14:09 and from 14:20 to 14:31"; of more than MOST_TOLD the number, the total and the longest."""
    if len(parts) > MOST_TOLD:
        start, end = clocks(case, parts[0][0], parts[-1][1])
        total = duration(sum(past - first for first, past in parts))
        longest = max(parts, key=lambda part: (part[1] - part[0], -part[0]))
        return f"in {len(parts)} spells between {start} and {end}, {total} in all, the longest {span(case, *longest)}"
    told = [span(case, *part) for part in parts]
    return told[0] if len(told) == 1 else f"{', '.join(told[:-1])} and {told[-1]}"


def zoned_span(case: Asked, start_ms: int, end_ms: int) -> str:
    """ "from 14:05 to 14:39 NZDT" """
    said = span(case, start_ms, end_ms)
    return said if clock_changes(case) else f"{said} {zone_name(case, start_ms)}"


def zone_name(case: Asked, ms: int) -> str:
    """NZDT; where a zone has no short name, UTC+13:45."""
    return site_clock(case).zone(ms)


def clock_changes(case: Asked) -> bool:
    """Whether the site's clock is put forward or back anywhere in the data or in the window."""
    begin, end = case.usage.start_ms, case.usage.start_ms + case.usage.windows * case.usage.window_ms
    begin, end = min(begin, case.told_ms[0]), max(end, case.told_ms[1])
    return _changes(case.profile.site.timezone, begin, end)


@lru_cache(maxsize=64)
def _changes(timezone: str, begin_ms: int, end_ms: int) -> bool:
    clock = Clock(timezone)
    times = (*range(begin_ms, end_ms, _BETWEEN_CHANGES_MS), end_ms)
    return len({clock.local(time).utcoffset() for time in times}) > 1


def site_clock(case: Asked) -> Clock:
    """The clock that tells every time of the case's note.

    It is fine where the export resolves better than a minute, and where the time asked about has seconds.
    """
    coverage = case.coverage
    resolves = coverage.resolution_known and coverage.resolution_s * SECOND_MS < MINUTE_MS
    ends = set(case.window_ms) - {
        coverage.first_ms,
        coverage.last_ms,
    }  # what is the export's own was not asked
    asked = case.window_given and any(round(ms / SECOND_MS) % 60 for ms in ends)
    return Clock(case.profile.site.timezone, fine=resolves or asked)


def _placed(case: Asked, ms: int, time: str, *, dated: bool) -> str:
    """A time with its day and its zone where it needs them."""
    day = f"{site_clock(case).short_day(ms)} " if dated else ""
    zone = f" {zone_name(case, ms)}" if clock_changes(case) else ""
    return f"{day}{time}{zone}"


def _on_the_day(case: Asked, ms: int) -> bool:
    """Whether a time lies on the one local day of the window."""
    begin, end = case.told_ms
    return {_date(case, begin), _date(case, max(end - 1, begin))} == {_date(case, ms)}


def _date(case: Asked, ms: int) -> date:
    return site_clock(case).local(ms).date()
