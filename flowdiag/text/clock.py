"""Local times of a site as people write them; every time that is told goes through here.

Minutes or seconds is decided here alone: a time is told to the second where it matters, which is in a span shorter
than ten minutes and wherever the clock is `fine`; elsewhere to the nearest minute. Seconds that are :00 at both
ends of a span are left out.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from flowdiag.durations import MINUTE_MS, SECOND_MS
from flowdiag.site.clock import LocalTime, nearest
from flowdiag.text.figures import count

DAYS: Final = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")
MONTHS: Final = (
    *("January", "February", "March", "April", "May", "June", "July"),
    *("August", "September", "October", "November", "December"),
)
SHORT_DAYS: Final = tuple(day[:3] for day in DAYS)
SHORT_MONTHS: Final = tuple(month[:3] for month in MONTHS)
# In spans shorter than this, half a minute of rounding at either end would be felt (common practice, no source).
SHORT_MS: Final = 600_000


class Clock(LocalTime, frozen=True):
    """fine: seconds are told in long spans too, since the data or the question has them."""

    fine: bool = False

    def time(self, ms: int) -> str:
        """14:05; 14:05:20 where ms is not on a whole minute."""
        return self.local(ms).strftime("%H:%M:%S" if ms // 1000 % 60 else "%H:%M")

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
        return f"{SHORT_DAYS[local.weekday()]} {local.day} {SHORT_MONTHS[local.month - 1]}"

    def same_day(self, start_ms: int, end_ms: int) -> bool:
        """Whether [start, end) lies in one local day."""
        return self.local(start_ms).date() == self.local(max(end_ms - 1, start_ms)).date()

    def moment(self, ms: int) -> str:
        """Tue 3 Mar 14:05 NZDT"""
        at = self.told(ms)
        return f"{self.short_day(at)} {self.time(at)} {self.zone(at)}"

    def told(self, ms: int) -> int:
        """A moment by itself as precisely as it is told: to the second where fine, else to the minute."""
        return nearest(ms, SECOND_MS if self.fine else MINUTE_MS)

    def ends(self, start_ms: int, end_ms: int) -> tuple[int, int]:
        """Both ends of a span as precisely as they are told."""
        to_seconds = self.fine or end_ms - start_ms < SHORT_MS
        step = SECOND_MS if to_seconds else MINUTE_MS
        return nearest(start_ms, step), nearest(end_ms, step)

    def times(self, start_ms: int, end_ms: int) -> tuple[str, str]:
        """14:05 and 14:39, or 14:03:20 and 14:05:00: both with seconds or neither."""
        start_ms, end_ms = self.ends(start_ms, end_ms)
        form = "%H:%M:%S" if start_ms % MINUTE_MS or end_ms % MINUTE_MS else "%H:%M"
        return self.local(start_ms).strftime(form), self.local(end_ms).strftime(form)

    def full_span(self, start_ms: int, end_ms: int) -> str:
        """Tuesday 3 March 2026, 14:10 to 14:50 NZDT; both days, or both zones, where there are two."""
        return self._span(start_ms, end_ms, lambda ms: f"{self.day(ms)}, ", day=True)

    def span(self, start_ms: int, end_ms: int, *, day: bool) -> str:
        """14:10 to 14:50 NZDT; with day, Tue 3 Mar 14:10 to 14:50 NZDT; both days, or both zones, where there are two."""
        return self._span(start_ms, end_ms, lambda ms: f"{self.short_day(ms)} ", day=day)

    def _span(self, start_ms: int, end_ms: int, dated: Callable[[int], str], *, day: bool) -> str:
        begin, end = self.times(start_ms, end_ms)
        start_ms, end_ms = self.ends(start_ms, end_ms)
        if self.same_day(start_ms, end_ms):
            begin = f"{dated(start_ms)}{begin}" if day else begin
            end = end.replace("00:00", "24:00", 1) if self._midnight(start_ms, end_ms) else end
        else:
            begin, end = f"{dated(start_ms)}{begin}", f"{dated(end_ms)}{end}"
        if self.zone(start_ms) != self.zone(end_ms):
            begin += f" {self.zone(start_ms)}"
        return f"{begin} to {end} {self.zone(end_ms)}"

    def _midnight(self, start_ms: int, end_ms: int) -> bool:
        return self.local(start_ms).date() != self.local(end_ms).date()


def duration(ms: float) -> str:
    """As exactly as times are told: to the second under ten minutes, then whole minutes, from two hours on hours."""
    seconds = round(ms / SECOND_MS)
    if seconds < 120:
        return count(seconds, "second")
    if seconds < SHORT_MS / SECOND_MS and seconds % 60:
        return f"{count(seconds // 60, 'minute')} {count(seconds % 60, 'second')}"
    if seconds < 7_200:
        return count(int(seconds / 60 + 0.5), "minute")
    return f"{seconds / 3_600:.1f}".removesuffix(".0") + " hours"
