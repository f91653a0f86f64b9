"""Where the ticks of a chart's axes stand: round local times, round shares of the capacity."""

from __future__ import annotations

from datetime import datetime, timedelta
from math import floor, log10
from typing import Final

from flowdiag.durations import MINUTE_MS
from flowdiag.text.clock import Clock

# Room on both sides of the time axis, in units of the picture.
LEFT: Final = 56.0
RIGHT: Final = 10.0
_DAY_MIN: Final = 1_440
_TIME_STEPS_MIN: Final = (1, 2, 5, 10, 15, 30, 60, 120, 180, 360, 720, _DAY_MIN)
# Rates above the plan come from the profile's wrong figure; more than twice the plan is cut off and said so.
HIGHEST_SHARE: Final = 2.0
_SHARE_STEP: Final = 0.2
# Under that part of the capacity its line is left out of sight, where what is drawn would else be flat.
LOW_SHARE: Final = 0.2
# Ends of a scale whose quarters are round.
_ROUND: Final = (1.0, 2.0, 4.0, 6.0, 8.0, 10.0)
# A peak this little over the end of the scale is drawn at its end.
_ROUNDING: Final = 0.02


def time_ticks(clock: Clock, start_ms: int, end_ms: int, most: int) -> list[tuple[int, str]]:
    """(ms, label) of about `most` round local times in [start_ms, end_ms): 14:30, or the day at midnight."""
    for step in _TIME_STEPS_MIN:
        if (end_ms - start_ms) / (step * MINUTE_MS) <= most:
            break
    else:
        step = _DAY_MIN * -(-(end_ms - start_ms) // (_DAY_MIN * MINUTE_MS * most))
    midnight = clock.local(start_ms).replace(hour=0, minute=0, second=0, microsecond=0)
    if step >= _DAY_MIN:
        return _day_ticks(clock, midnight, start_ms, end_ms, step // _DAY_MIN)
    zero = _ms(midnight)
    first = zero + -((zero - start_ms) // (step * MINUTE_MS)) * step * MINUTE_MS
    ticks = range(first, end_ms, step * MINUTE_MS)
    if clock.same_day(start_ms, end_ms):
        return [(ms, clock.time(ms)) for ms in ticks]
    return [(ms, clock.short_day(ms) if clock.time(ms) == "00:00" else clock.time(ms)) for ms in ticks]


def _day_ticks(
    clock: Clock, midnight: datetime, start_ms: int, end_ms: int, step: int
) -> list[tuple[int, str]]:
    """Local midnights, also where a day has 23 or 25 hours."""
    ticks = []
    day = midnight
    while _ms(day) < end_ms:
        if _ms(day) >= start_ms:
            ticks.append((_ms(day), clock.short_day(_ms(day))))
        day += timedelta(days=step)
    return ticks


def _ms(moment: datetime) -> int:
    return int(moment.timestamp() * 1000)


def highest_share(peak_mbps: float, capacity_mbps: float) -> float:
    """Upper end of a chart's scale as a share of the capacity: 1, or a fifth more as often as needed."""
    share = peak_mbps / capacity_mbps
    top = 1.0
    while share > top + _ROUNDING and top < HIGHEST_SHARE:
        top = round(top + _SHARE_STEP, 1)
    return top


def low_scale(peak_mbps: float, capacity_mbps: float) -> float | None:
    """A round end of the scale in Mbit/s for what is far under the capacity; None for what is not."""
    if not 0.0 < peak_mbps < LOW_SHARE * capacity_mbps:
        return None
    decade = 10.0 ** floor(log10(peak_mbps))
    return next(end * decade for end in _ROUND if end * decade >= peak_mbps)
