"""Standard output as one who is told: a line of JSON for each event, kept until it was written like any other letter."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Final

from msgspec.structs import replace

from flowdiag.watch.event import Event
from flowdiag.watch.holding import Holding
from flowdiag.watch.part import Letter, Part

OUTPUT: Final = "-"  # no target of a notify file is called so


def to_print(events: Sequence[Event]) -> tuple[Letter, ...]:
    return tuple(Letter(event.name, OUTPUT, (event.name,), event.told_ms, event.told_ms) for event in events)


def print_held(holding: Holding, write: Callable[[Sequence[Event]], None]) -> None:
    """Writes the events that wait for that in the parts held, and notes that they were written. write: returns when they are on
    their way for good. One that was stopped and may have been taken over writes nothing. Raises StoreError,
    and what `write` raises."""
    done: dict[str, Part] = {}
    for name, (part, _) in sorted(holding.held.items()):
        letters = [letter for letter in part.letters if letter.target == OUTPUT]
        if not letters or not holding.is_sure:
            continue
        known = {event.name: event for event in part.events}
        events = [known[one] for letter in letters for one in letter.events if one in known]
        write(events)
        left = tuple(letter for letter in part.letters if letter.target != OUTPUT)
        done[name] = replace(part, letters=left)
    holding.replace_each(done)
