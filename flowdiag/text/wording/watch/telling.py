"""Messages of the watch: what began, goes on and ended, in mails and at the head of lists; and why nobody took one."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final, Protocol

from flowdiag.text.clock import Clock, duration
from flowdiag.text.figures import count
from flowdiag.text.wording.matters import matter

HEADINGS: Final = {"began": "Began", "ongoing": "Goes on", "ended": "Ended", "passed": "Began and ended"}
SEVERITIES: Final = {"critical": "critical", "warning": "warning", "info": "for information"}
SURE: Final = {"high": "sure", "medium": "likely", "low": "not sure"}
CLIENT: Final = "For the client"
ENGINEER: Final = "For an engineer"
NOTE: Final = "Note"
READ_NOTE: Final = "Read the note"
KEY: Final = "Key, to acknowledge or mute this"
SILENCE: Final = "Acknowledge or mute it at the desk"
CORRECTED: Final = "corrected by records that came late"
QUIET: Final = "Held in quiet hours."
DIRECTIONS: Final = {"down": "download", "up": "upload"}
TEST_SITE: Final = "Test of flowdiag"
TEST: Final = "A test of how messages of a watch come here; nothing is wrong."

TOO_MANY: Final = "more messages wait than are kept, and this one had waited longest"
NO_TARGET: Final = "the notify file has no target of this name"
NO_EVENTS: Final = "what it was to tell is not kept any more"
BEFORE_IT: Final = "the one before it was not taken"

NO_STARTTLS: Final = "the server offers no STARTTLS"
REDIRECT: Final = "a redirect, and none is followed"


class Told(Protocol):
    """What is known of an event (flowdiag.watch.event.Event)."""

    @property
    def key(self) -> str: ...
    @property
    def incident(self) -> str: ...
    @property
    def site(self) -> str: ...
    @property
    def timezone(self) -> str: ...
    @property
    def code(self) -> str: ...
    @property
    def link(self) -> str | None: ...
    @property
    def direction(self) -> str | None: ...
    @property
    def state(self) -> str: ...
    @property
    def began_ms(self) -> int: ...
    @property
    def ended_ms(self) -> int | None: ...
    @property
    def upstream(self) -> str | None: ...


def since(event: Told) -> str:
    """since Mon 2 Mar 12:00 NZDT; Mon 2 Mar 12:00 to 12:10 NZDT (10 minutes)"""
    clock = Clock(event.timezone)
    if event.state != "ended" or event.ended_ms is None:
        return f"since {clock.moment(event.began_ms)}"
    length = duration(max(event.ended_ms - event.began_ms, 0))
    return f"{clock.span(event.began_ms, event.ended_ms, day=True)} ({length})"


def headline(events: Sequence[Told], *, quiet: bool = False) -> str:
    """Of a message, such as "Harbour: on its backup since Mon 2 Mar 12:00 NZDT"."""
    first = events[0]
    if len({event.key for event in events}) == 1:
        last = events[-1]
        return f"{last.site}: {_state(last)}"
    sites = len({event.site for event in events})
    if len({event.incident for event in events}) > 1:
        changes = f"{count(len(events), 'change')} at {count(sites, 'site')}"
        return f"{changes}, in quiet hours" if quiet else changes
    where = f" behind {first.upstream}" if first.upstream is not None else ""
    return f"{count(sites, 'site')}{where}: {_state(_last_of(events))}"


def _last_of(events: Sequence[Told]) -> Told:
    """Of a storm, what tells that it goes on as long as any of it does."""
    ended = {event.key for event in events if event.state == "ended"}
    return next((event for event in events if event.key not in ended), events[-1])


def _state(event: Told) -> str:
    told = matter(event.code)
    if event.state == "ended":
        return f"{told}, over: {since(event)}"
    return f"still {told} {since(event)}" if event.state == "ongoing" else f"{told} {since(event)}"


def line(event: Told) -> str:
    """Of an event in a list under its heading: "Harbour: on its backup, line, since Mon 2 Mar 12:00 NZDT"."""
    direction = "" if event.direction is None else DIRECTIONS.get(event.direction, event.direction)
    where = " ".join(part for part in (event.link or "", direction) if part)
    parts = [f"{event.site}: {matter(event.code)}", where, since(event)]
    return ", ".join(part for part in parts if part)


def left_out(number: int) -> str:
    return f"and {number} more"


def not_done(seconds: float) -> str:
    return f"not done within {seconds:g} s"


def no_trust(reason: str) -> str:
    return f"its certificate is not trusted: {reason}"


def ended_by(code: int, said: str) -> str:
    """How a program ended, by its exit code, below zero for a signal; with its last words."""
    how = f"exit code {code}" if code > 0 else f"ended by signal {-code}"
    return f"{how}: {said}" if said else how
