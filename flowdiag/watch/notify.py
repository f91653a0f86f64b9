"""Who is told what, and when: what a notify file says (notify_file.py reads it), as values."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final, Literal

from msgspec import Struct

from flowdiag.diagnoser.finding import Severity
from flowdiag.durations import MINUTE_MS
from flowdiag.site.clock import LocalTime
from flowdiag.site.hours import MINUTES_A_DAY, Hours
from flowdiag.watch.event import Event, EventState
from flowdiag.watch.silenced import Silence, is_site

STORM_MS: Final = 2 * MINUTE_MS
SEVERITIES: Final[tuple[Severity, ...]] = ("info", "warning", "critical")
STATES: Final[tuple[EventState, ...]] = ("began", "ongoing", "ended")


class Secret:
    """A text that no error, log or print shows."""

    __slots__ = ("_text",)

    def __init__(self, text: str) -> None:
        self._text = text

    def __repr__(self) -> str:
        return "Secret(…)"

    @property
    def text(self) -> str:
        return self._text


class Quiet(Struct, frozen=True):
    """Hours by the wall clock of a time zone in which a target is left alone."""

    hours: Hours
    timezone: str

    def until_ms(self, now_ms: int) -> int | None:
        """When the quiet hours end that it is in now; None outside of them. A wall clock that is put forward over their end
        ends them there; one that is put back into them begins them again."""
        if not self._is_in(now_ms):
            return None
        at = now_ms // MINUTE_MS * MINUTE_MS
        while (left := self._left_ms(at)) > 0:
            at = min(at + left, _change_ms(self.timezone, at, at + left))
        return at

    def _is_in(self, ms: int) -> bool:
        return self._left_ms(ms) > 0

    def _left_ms(self, ms: int) -> int:
        """Of the quiet hours by the wall clock, from the minute that a time is in."""
        local = LocalTime(self.timezone).local(ms)
        minute = local.weekday() * MINUTES_A_DAY + local.hour * 60 + local.minute
        return (
            next((end - minute for begin, end in self.hours.open_ranges if begin <= minute < end), 0)
            * MINUTE_MS
        )


def _change_ms(timezone: str, begin_ms: int, end_ms: int) -> int:
    """The first whole minute in [begin, end] at which a zone has another offset than at begin; end where it has not."""
    before = _offset_s(timezone, begin_ms)
    if _offset_s(timezone, end_ms) == before:
        return end_ms
    low, high = begin_ms // MINUTE_MS, end_ms // MINUTE_MS
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (middle, high) if _offset_s(timezone, middle * MINUTE_MS) == before else (low, middle)
    return high * MINUTE_MS


def _offset_s(timezone: str, ms: int) -> float:
    offset = LocalTime(timezone).local(ms).utcoffset()
    return 0.0 if offset is None else offset.total_seconds()


class Target(Struct, frozen=True, kw_only=True):
    """Whom to tell what. severity: the least; codes, sites: of which alone, all where there are none; what is of all sites
    together is of each; quiet: when not."""

    name: str
    severity: Severity = "warning"
    codes: tuple[str, ...] = ()
    sites: tuple[str, ...] = ()
    states: tuple[EventState, ...] = STATES
    quiet: Quiet | None = None
    timeout_s: float = 10.0

    def wants(self, event: Event, before: Iterable[Event] = ()) -> bool:
        """before: earlier ones of its incident. Who was told of it hears its end, though it is not so grave any more."""
        return event.state in self.states and any(map(self._is_about, (event, *before)))

    def _is_about(self, event: Event) -> bool:
        return (
            SEVERITIES.index(event.severity) >= SEVERITIES.index(self.severity)
            and (not self.codes or event.code in self.codes)
            and (not self.sites or not event.place or any(is_site(pattern, event) for pattern in self.sites))
        )


class Webhook(Target, frozen=True, kw_only=True):
    """A JSON POST. secret: of the signature; ca_file: the certificates that are trusted instead of the system's."""

    url: str
    secret: Secret | None = None
    ca_file: str | None = None


class Mail(Target, frozen=True, kw_only=True):
    """tls: how the connection to the mail server is kept from others; with "none" everything goes in clear."""

    host: str
    port: int
    sender: str
    to: tuple[str, ...]
    tls: Literal["starttls", "implicit", "none"] = "starttls"
    username: str | None = None
    password: Secret | None = None
    ca_file: str | None = None


class Command(Target, frozen=True, kw_only=True):
    """A program and its words; no shell."""

    argv: tuple[str, ...]


class Notify(Struct, frozen=True, kw_only=True):
    """minimum_ms: how long a finding of a code lasts at least before anything is told of it; storm_ms: how long a begin behind an
    upstream waits for others; silences: of the file alone; desk: the address of a desk that has the notes."""

    targets: tuple[Target, ...] = ()
    minimum_ms: dict[str, int] = {}
    storm_ms: int = STORM_MS
    silences: tuple[Silence, ...] = ()
    desk: str | None = None
