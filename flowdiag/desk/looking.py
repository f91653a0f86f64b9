"""A look at a span of time as an address has it: the span, and what of it is chosen. Every state of the page has its own."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any, Final
from urllib.parse import urlencode
from zoneinfo import ZoneInfo

from msgspec import Struct, structs

from flowdiag.addresses import to_bytes, to_text
from flowdiag.durations import DAY_MS, SECOND_MS, Span
from flowdiag.errors import UsageError
from flowdiag.site.catalogue import KnownSite
from flowdiag.site.clock import LocalTime
from flowdiag.text.wording.desk import closer as wording

LONGEST_DAYS: Final = 400
LAST_FLOW_MS: Final = (
    (1 << 32) - 1
) * 1000  # what export times can mean: 32-bit seconds since 1970 (RFC 7011 3.1)
LONGEST_NAME: Final = 100
MEASURES: Final = ("octets", "packets", "flows")
DIRECTIONS: Final = ("down", "up")
CHOICES: Final = ("link", "direction", "host", "destination", "application")


class Look(Struct, frozen=True):
    """span_ms: [from, to); whole: all rows of the tables are shown; otherwise as RankingsQuestion has it."""

    site: str
    timezone: str
    span_ms: Span
    link: str | None = None
    direction: str | None = None
    host: str | None = None
    destination: str | None = None
    application: str | None = None
    by: str = MEASURES[0]
    whole: bool = False

    @property
    def choices(self) -> dict[str, str]:
        """What is chosen, by its name in the address."""
        return {name: value for name in CHOICES if (value := getattr(self, name)) is not None}

    @property
    def begin_and_end(self) -> tuple[str, str]:
        """ISO 8601 with the site's offset."""
        begin, end = map(LocalTime(self.timezone).iso, self.span_ms)
        return begin, end

    def address(self, **more: str) -> str:
        """Of the page that shows it."""
        begin, end = self.begin_and_end
        values = {"from": begin, "to": end, **self._kept(), **more}
        return f"/sites/{self.site}/closer?{urlencode(values)}"

    def address_of_choice(self) -> str:
        """The same without its time, for a time that is picked."""
        return f"/sites/{self.site}/closer?{urlencode(self._kept())}"

    def note_address(self) -> str:
        begin, end = self.begin_and_end
        return f"/sites/{self.site}/note?{urlencode({'from': begin, 'to': end})}"

    def _kept(self) -> dict[str, str]:
        by = {} if self.by == MEASURES[0] else {"by": self.by}
        return {**self.choices, **by, **({"rows": "all"} if self.whole else {})}

    def but(self, **changes: Any) -> Look:
        return structs.replace(self, **changes)

    def times(self) -> list[tuple[str, Look]]:
        """Other times beside this one, each by its name."""
        begin, end = self.span_ms
        length = end - begin
        part = max(length // 4 // SECOND_MS, 1) * SECOND_MS
        found = [
            (wording.EARLIER, (begin - length, begin)),
            (wording.LATER, (end, end + length)),
            (wording.WIDER, (begin - length // 2, end + length // 2)),
            *([(wording.NARROWER, (begin + part, end - part))] if length > 4 * SECOND_MS else []),
            (wording.WHOLE_DAY, self._whole_days()),
        ]
        return [
            (name, self.but(span_ms=span)) for name, span in found if span != self.span_ms and _can_be(span)
        ]

    def _whole_days(self) -> Span:
        """From midnight to midnight of the site, around the span."""
        clock, zone = LocalTime(self.timezone), ZoneInfo(self.timezone)
        first, last = (clock.local(ms).date() for ms in (self.span_ms[0], self.span_ms[1] - 1))
        begin, end = (
            datetime(day.year, day.month, day.day, tzinfo=zone) for day in (first, last + timedelta(days=1))
        )
        return round(begin.timestamp() * 1000), round(end.timestamp() * 1000)


def _can_be(span: Span) -> bool:
    begin, end = span
    return begin >= 0 and end <= LAST_FLOW_MS and end - begin <= LONGEST_DAYS * DAY_MS


def read_look(site: KnownSite, query: dict[str, str], span_ms: Span) -> Look:
    """query: what the address has, without what is empty. Raises UsageError for what cannot be looked at."""
    begin, end = span_ms
    if end <= begin:
        raise UsageError(wording.BEGINS_LATE, expected="to after from")
    if begin < 0 or end > LAST_FLOW_MS:
        raise UsageError(wording.NO_SUCH_TIME)
    if end - begin > LONGEST_DAYS * DAY_MS:
        raise UsageError(wording.TOO_LONG, expected=wording.longest(LONGEST_DAYS))
    links = [link.name for link in site.profile.link]
    return Look(
        site=site.key,
        timezone=site.timezone,
        span_ms=span_ms,
        link=_one_of("link", query.get("link"), links),
        direction=_one_of("direction", query.get("direction"), DIRECTIONS),
        host=_address("host", query.get("host")),
        destination=_address("destination", query.get("destination")),
        application=(query.get("application") or "")[:LONGEST_NAME] or None,
        by=_one_of("by", query.get("by"), MEASURES) or MEASURES[0],
        whole=query.get("rows") == "all",
    )


def _one_of(name: str, given: str | None, known: Any) -> str | None:
    if given is None or given in known:
        return given
    raise UsageError(f"{name}: there is no {given[:LONGEST_NAME]!r}", expected=" or ".join(known))


def _address(name: str, given: str | None) -> str | None:
    try:
        return None if given is None else to_text(to_bytes(given))
    except ValueError:
        raise UsageError(
            f"{name}: {given and given[:LONGEST_NAME]!r} is no address", expected="an IPv4 or IPv6 address"
        ) from None
