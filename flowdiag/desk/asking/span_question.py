"""What questions about exactly a span of time have in common: the site and the span, of some the link and the direction."""

from __future__ import annotations

from datetime import datetime
from typing import TYPE_CHECKING, Final, TypedDict

from flowdiag.desk.asking.question import Question
from flowdiag.durations import DAY_MS
from flowdiag.site.profile import Profile

if TYPE_CHECKING:
    from flowdiag.pipeline import Direction

LONG_MS: Final = 2 * DAY_MS  # figures and rankings of a longer time may take more than some seconds


class SpanFields(TypedDict):
    """What every SpanQuestion is made of."""

    store: str
    file: str
    digest: str
    window_from: str
    window_to: str


class SpanQuestion(Question, frozen=True):
    """store: as a desk has it; file: the site's profile; digest: of it; window_from, window_to: ISO 8601."""

    store: str
    file: str
    digest: str
    window_from: str
    window_to: str

    @property
    def span_ms(self) -> tuple[int, int]:
        begin, end = (datetime.fromisoformat(text).timestamp() for text in (self.window_from, self.window_to))
        return round(begin * 1000), round(end * 1000)

    @property
    def longest_ms(self) -> int:
        """How long a time may be without being long."""
        return LONG_MS

    @property
    def long(self) -> bool:
        begin, end = self.span_ms
        return end - begin > self.longest_ms

    def state(self) -> str | None:
        from flowdiag.desk.asking.store_state import store_state

        return store_state(self.store, self.profile(), self.span_ms)

    def profile(self) -> Profile:
        """Raises ProfileError."""
        from flowdiag.site.reading import read_profile

        return read_profile(self.file)


class LinkQuestion(SpanQuestion, frozen=True):
    """link: its name; link, direction: None for all."""

    link: str | None = None
    direction: Direction | None = None
