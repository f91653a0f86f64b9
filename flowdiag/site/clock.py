"""Local times of a site as people write them; every time that is told goes through here."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Final
from zoneinfo import ZoneInfo

DAYS: Final = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")
MONTHS: Final = (
    *("January", "February", "March", "April", "May", "June", "July"),
    *("August", "September", "October", "November", "December"),
)
_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)
_DAY_MS: Final = 86_400_000
# The last second that a local time in any zone can still be written for (year 9999).
_LATEST_MS: Final = 253_402_300_799_000 - _DAY_MS


@dataclass(frozen=True)
class Clock:
    """timezone: an IANA name. Times are ms since 1970 UTC; those beyond what a calendar holds are clipped."""

    timezone: str

    def local(self, ms: int) -> datetime:
        bounded = min(max(ms, 0), _LATEST_MS)
        return (_EPOCH + timedelta(milliseconds=bounded)).astimezone(ZoneInfo(self.timezone))

    def iso(self, ms: int) -> str:
        """ISO 8601 with the site's offset, whole seconds: 2026-03-02T14:00:00+13:00."""
        return self.local(ms).isoformat(timespec="seconds")

    def time(self, ms: int) -> str:
        """14:05"""
        return self.local(ms).strftime("%H:%M")

    def zone(self, ms: int) -> str:
        """NZDT; where a zone has no short name, UTC+13:45."""
        local = self.local(ms)
        name = local.tzname() or "UTC"
        return f"UTC{local.isoformat()[-6:]}" if name[:1] in "+-" else name

    def day(self, ms: int) -> str:
        """Tuesday 3 March 2026"""
        local = self.local(ms)
        return f"{DAYS[local.weekday()]} {local.day} {MONTHS[local.month - 1]} {local.year}"

    def short_day(self, ms: int) -> str:
        """Tue 3 Mar"""
        local = self.local(ms)
        return f"{DAYS[local.weekday()][:3]} {local.day} {MONTHS[local.month - 1][:3]}"

    def same_day(self, start_ms: int, end_ms: int) -> bool:
        """Whether [start, end) lies in one local day."""
        return self.local(start_ms).date() == self.local(max(end_ms - 1, start_ms)).date()

    def full_span(self, start_ms: int, end_ms: int) -> str:
        """Tuesday 3 March 2026, 14:10 to 14:50 NZDT, to the nearest minute; both days where there are two."""
        start_ms, end_ms = whole_minute(start_ms), whole_minute(end_ms)
        begin = f"{self.day(start_ms)}, {self.time(start_ms)}"
        if self.same_day(start_ms, end_ms):
            end = "24:00" if self._midnight(start_ms, end_ms) else self.time(end_ms)
            return f"{begin} to {end} {self.zone(start_ms)}"
        if self.zone(start_ms) != self.zone(end_ms):
            begin += f" {self.zone(start_ms)}"
        return f"{begin} to {self.day(end_ms)}, {self.time(end_ms)} {self.zone(end_ms)}"

    def span(self, start_ms: int, end_ms: int, *, day: bool) -> str:
        """14:10 to 14:50 NZDT; with day, Tue 3 Mar 14:10 to 14:50 NZDT, and both days where there are two.

        To the nearest minute.
        """
        start_ms, end_ms = whole_minute(start_ms), whole_minute(end_ms)
        if self.same_day(start_ms, end_ms):
            begin = f"{self.short_day(start_ms)} {self.time(start_ms)}" if day else self.time(start_ms)
            end = "24:00" if self._midnight(start_ms, end_ms) else self.time(end_ms)
        else:
            begin = f"{self.short_day(start_ms)} {self.time(start_ms)}"
            end = f"{self.short_day(end_ms)} {self.time(end_ms)}"
        return f"{begin} to {end} {self.zone(start_ms)}"

    def _midnight(self, start_ms: int, end_ms: int) -> bool:
        return self.local(start_ms).date() != self.local(end_ms).date()


def whole_minute(ms: int) -> int:
    """The nearest one, so that times agree with durations that are rounded too."""
    return (ms + 30_000) // 60_000 * 60_000
