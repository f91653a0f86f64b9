"""Five-minute slots as a site's people live them: local days, hours and weekdays, and working hours."""

from __future__ import annotations

from functools import cached_property, lru_cache
from typing import Final

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from flowdiag.durations import MINUTE_MS
from flowdiag.review.partial import SLOT_MINUTES, SLOT_MS
from flowdiag.site.hours import EPOCH_WEEKDAY, MINUTES_A_DAY, parse_hours, utc_offsets

HOURS_A_WEEK: Final = 168


class Slots(Struct, frozen=True, eq=False, dict=True):
    """Columns of one length, one row a slot of [begin, end). day: local days since 1970; hour: 0 to 23, local; weekday:
    0 is Monday; at_work: in the working hours, None where the profile lists none.
    """

    begin_ms: int
    day: NDArray[np.int64]
    hour: NDArray[np.int64]
    weekday: NDArray[np.int64]
    at_work: NDArray[np.bool_] | None

    def __len__(self) -> int:
        return len(self.day)

    @cached_property
    def week_hour(self) -> NDArray[np.int16]:
        """Hours since Monday 00:00."""
        hours: NDArray[np.int16] = (self.weekday * 24 + self.hour).astype(np.int16)
        return hours

    @cached_property
    def days(self) -> Numbered:
        """The local days that there are."""
        return _numbered(self.day)

    @cached_property
    def day_hours(self) -> Numbered:
        """The hours of local days that there are, day * 24 + hour: one that comes twice is one."""
        return _numbered(self.day * 24 + self.hour)


class Numbered(Struct, frozen=True, eq=False):
    """distinct: values, ascending; of_slot: number of each slot's value in them."""

    distinct: NDArray[np.int64]
    of_slot: NDArray[np.int16]

    def __len__(self) -> int:
        return len(self.distinct)


def _numbered(values: NDArray[np.int64]) -> Numbered:
    distinct, where = np.unique(values, return_inverse=True)
    return Numbered(distinct, where.astype(np.int16))


@lru_cache(maxsize=64)
def local_slots(begin_ms: int, end_ms: int, timezone: str, hours: str | None) -> Slots:
    """The slots of [begin, end), which are whole slots since 1970, in a time zone (IANA name)."""
    minutes = np.arange(begin_ms // MINUTE_MS, end_ms // MINUTE_MS, SLOT_MINUTES, dtype=np.int64)
    local = minutes + utc_offsets(minutes, timezone)
    day = local // MINUTES_A_DAY
    return Slots(
        begin_ms=begin_ms // SLOT_MS * SLOT_MS,
        day=day,
        hour=local % MINUTES_A_DAY // 60,
        weekday=(day + EPOCH_WEEKDAY) % 7,
        at_work=None if hours is None else parse_hours(hours).is_open(minutes, timezone),
    )
