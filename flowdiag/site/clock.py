"""The local time of a site. How it is told stands in text/clock.py."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Final
from zoneinfo import ZoneInfo

from msgspec import Struct

from flowdiag.durations import DAY_MS, SECOND_MS

_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)
# The last second that a local time in any zone can still be written for (year 9999).
_LATEST_MS: Final = 253_402_300_799_000 - DAY_MS


class LocalTime(Struct, frozen=True):
    """timezone: an IANA name. Times are ms since 1970 UTC; those beyond what a calendar holds are clipped."""

    timezone: str

    def local(self, ms: int) -> datetime:
        bounded = min(max(ms, 0), _LATEST_MS)
        return (_EPOCH + timedelta(milliseconds=bounded)).astimezone(ZoneInfo(self.timezone))

    def iso(self, ms: int) -> str:
        """ISO 8601 with the site's offset, the nearest second as sentences have it: 2026-03-02T14:00:00+13:00."""
        return self.local(nearest(ms, SECOND_MS)).isoformat(timespec="seconds")


def nearest(ms: int, step: int) -> int:
    """Rounded, so that times agree with durations that are rounded too."""
    return (ms + step // 2) // step * step
