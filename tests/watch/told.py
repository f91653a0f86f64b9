"""A part whose letters are taken when they are due, as a watch does each minute."""

from __future__ import annotations

from msgspec.structs import replace

from flowdiag.durations import MINUTE_MS
from flowdiag.watch.event import Event
from flowdiag.watch.notify import STORM_MS, Notify, Target
from flowdiag.watch.part import Letter, Part
from flowdiag.watch.silenced import Silence
from flowdiag.watch.telling import SEEN_LATER_MS, join_storms, letters_for
from tests.watch.invented import event

NOC = Notify(targets=(Target(name="noc"),))

WAIT_MS = STORM_MS + SEEN_LATER_MS  # of what may have others beside it


class Told:
    """A part whose letters are taken when they are due, as a watch does each minute."""

    def __init__(self, notify: Notify = NOC, *silences: Silence) -> None:
        self.notify = notify
        self.silences: tuple[Silence, ...] = silences
        self.part = Part()
        self.sent: list[tuple[int, Letter]] = []

    def at(self, now_ms: int, *new: Event) -> list[tuple[str, ...]]:
        """The events of each message that is sent now."""
        joined = join_storms(self.part.events, new, self.notify.storm_ms)
        letters = letters_for(self.notify, self.part, joined, self.silences, now_ms)
        due = [letter for letter in letters if letter.due_ms <= now_ms]
        self.sent += [(now_ms, letter) for letter in due]
        left = tuple(letter for letter in letters if letter.due_ms > now_ms)
        self.part = replace(self.part, events=(*self.part.events, *joined), letters=left)
        return [letter.events for letter in due]

    def minutes(self, begin_ms: int, end_ms: int) -> list[tuple[int, tuple[str, ...]]]:
        """Looks each minute from begin on, and not at end."""
        return [(ms, events) for ms in range(begin_ms, end_ms, MINUTE_MS) for events in self.at(ms)]


def names(*events: Event) -> tuple[str, ...]:
    return tuple(one.name for one in events)


def behind(upstream: str | None, sites: int, **given: object) -> list[Event]:
    return [event(f"kowhai/site-{number:03}", upstream=upstream, **given) for number in range(sites)]
