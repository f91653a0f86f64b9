"""Which messages come of events: who is told, when, and what is one message.

Facts the design follows:
- one upstream fault is one incident, however many sites tell of it: a begin behind an upstream waits for those beside it, and
  so does each later event of a storm. A site by itself is told at once;
- what waits is kept with what was found, in one document, so that nothing is lost or doubled by an end at any time. A message
  that waits may be extended; one that is due may have been sent, and is never changed. Its name is made of what is in it, so
  that no name means two messages;
- the clock may be set: nothing waits longer than it would have from now on.
"""

from __future__ import annotations

import hashlib
from base64 import b32encode
from collections.abc import Iterable, Sequence
from typing import Final

from msgspec import Struct
from msgspec.structs import replace

from flowdiag.durations import HOUR_MS, LAST_MS, SECOND_MS
from flowdiag.text.wording.watch import telling as words
from flowdiag.watch.event import Event
from flowdiag.watch.notify import STORM_MS, Notify, Target
from flowdiag.watch.part import MOST_LETTERS, Letter, Part
from flowdiag.watch.silenced import Silence, silenced_by

LONGEST_WAIT_MS: Final = 6 * HOUR_MS  # between two tries, whatever a receiver asks for
MOST_TRIES: Final = 30  # about a day (sending.py)
QUIET: Final = "quiet"
MUTED: Final = "muted"
_STORM: Final = "storm "
# What began at one time is seen by one look or the next, a minute apart: a message waits for both.
SEEN_LATER_MS: Final = 75 * SECOND_MS


def join_storms(
    before: Iterable[Event], new: Sequence[Event], window_ms: int = STORM_MS
) -> tuple[Event, ...]:
    """New events, in their order, with the incident that they are told under.

    Begins of the same code behind the same upstream are one incident where they began or were noticed within window_ms of the
    first of it; its key is that of the first. Later events of an incident are told under that of its begin.
    """
    if not new:
        return ()
    storms = _Storms(window_ms)
    for event in before:
        storms.learn(event)
    joined: dict[str, Event] = {}
    for event in sorted(new, key=_first):
        event = replace(event, incident=storms.incident(event))
        storms.learn(event)
        joined[event.name] = event
    return tuple(joined[event.name] for event in new)


def _first(event: Event) -> tuple[int, int, str, str, int]:
    return event.told_ms, event.began_ms, event.place, event.key, event.number


class _Storms:
    def __init__(self, window_ms: int) -> None:
        self._window_ms = window_ms
        self._by_key: dict[str, str] = {}
        self._firsts: dict[tuple[str, str], list[Event]] = {}  # by code and upstream

    def learn(self, event: Event) -> None:
        if event.state != "began":
            return
        self._by_key[event.key] = event.incident
        if event.upstream is not None and event.incident == event.key:
            self._firsts.setdefault((event.code, event.upstream), []).append(event)

    def incident(self, event: Event) -> str:
        known = self._by_key.get(event.key)
        if known is not None or event.state != "began":
            return known or event.incident
        beside = [] if event.upstream is None else self._firsts.get((event.code, event.upstream), [])
        return next((other.incident for other in beside if self._is_beside(event, other)), event.incident)

    def _is_beside(self, event: Event, other: Event) -> bool:
        return (
            abs(event.began_ms - other.began_ms) <= self._window_ms
            or abs(event.told_ms - other.told_ms) <= self._window_ms
        )


def letters_for(
    notify: Notify, part: Part, new: Sequence[Event], silences: Iterable[Silence], now_ms: int
) -> tuple[Letter, ...]:
    """All letters of a part from now on: those that it had, some of which go on waiting, and those that come of new events.

    part: as it was before `new`, which join_storms() has seen; silences: of the ledger; those of the file are added. To be
    called in each round, since mutes and quiet hours end without an event; the same tuple comes back where nothing changes.
    """
    if not part.letters and not new:
        return part.letters
    known = _Known([*part.events, *new])
    silenced = [silence for silence in (*notify.silences, *silences) if silence.holds(now_ms)]
    names = {target.name for target in notify.targets}
    letters = [letter for letter in part.letters if letter.target not in names]
    for target in notify.targets:
        mine = [letter for letter in part.letters if letter.target == target.name]
        wanted = [event for event in new if target.wants(event, known.of(event.key))]
        letters += _Outbox(target, notify.storm_ms, known, now_ms).letters(mine, wanted, silenced)
    order = {letter.name: number for number, letter in enumerate(part.letters)}
    letters.sort(key=lambda letter: order.get(letter.name, len(order)))
    after = _bounded(letters, now_ms)
    return part.letters if after == part.letters else after


class _Known:
    """The events of a part, by name, and what follows from all of them."""

    def __init__(self, events: Sequence[Event]) -> None:
        self._events = {event.name: event for event in events}
        self._by_key: dict[str, list[Event]] = {}
        for event in events:
            self._by_key.setdefault(event.key, []).append(event)
        self._storms = {event.incident for event in events if event.incident != event.key}
        self._ended = {event.key for event in events if event.state == "ended"}

    def named(self, names: Iterable[str]) -> list[Event]:
        return [self._events[name] for name in names if name in self._events]

    def of(self, key: str) -> list[Event]:
        """The events of an incident."""
        return self._by_key.get(key, [])

    def is_storm(self, event: Event) -> bool:
        return event.incident in self._storms

    def has_ended(self, key: str) -> bool:
        return key in self._ended


class _Outbox(Struct):
    """The letters to one target."""

    target: Target
    storm_ms: int
    known: _Known
    now_ms: int

    def letters(
        self, mine: Sequence[Letter], wanted: Sequence[Event], silences: Sequence[Silence]
    ) -> list[Letter]:
        fixed = [letter for letter in mine if not self._waits(letter)]
        waiting = {letter.group: letter for letter in mine if self._waits(letter)}
        before = waiting.pop(MUTED, None)
        told, muted = self._sifted([*self._events(before), *wanted], silences)
        for group in list(waiting):
            muted += self._taken_out(waiting, group, silences)
        told, muted = self._heard([*self._events(before), *muted], told, muted)
        quiet_ms = None if self.target.quiet is None else self.target.quiet.until_ms(self.now_ms)
        if quiet_ms is None:
            letters = [self._sooner(letter) for letter in fixed] + self._placed(waiting, told)
        else:
            # Out of its group, it is never extended, though it is not due now.
            letters = [replace(letter, due_ms=max(letter.due_ms, quiet_ms), group="") for letter in fixed]
            letters += self._until(quiet_ms, waiting, told)
        if muted:
            kept = replace(before or self._new(MUTED, LAST_MS), events=())
            letters.append(self._extended(kept, muted, LAST_MS))
        return letters

    def _waits(self, letter: Letter) -> bool:
        """Whether it may still be extended."""
        return bool(letter.group) and letter.tries == 0 and letter.due_ms > self.now_ms

    def _events(self, letter: Letter | None) -> list[Event]:
        return [] if letter is None else self.known.named(letter.events)

    def _sifted(
        self, events: Sequence[Event], silences: Sequence[Silence]
    ) -> tuple[list[Event], list[Event]]:
        """What is told, and what is muted."""
        told: list[Event] = []
        muted: list[Event] = []
        for event in events:
            silence = silenced_by(event, silences, self.now_ms)
            if silence is None:
                told.append(event)
            elif event.state != "ongoing":  # of reminders there will be others
                (muted if silence.kind == "muted" else told).append(event)
        return told, muted

    def _taken_out(self, waiting: dict[str, Letter], group: str, silences: Sequence[Silence]) -> list[Event]:
        """What is muted of what a letter was to tell, which tells the rest."""
        letter = waiting[group]
        events = self._events(letter)
        told, muted = self._sifted(events, silences)
        out = {event.name for event in events} - {event.name for event in told}
        if out:
            left = tuple(name for name in letter.events if name not in out)
            waiting[group] = replace(letter, name=name_of(letter.target, left), events=left)
            if not left:
                del waiting[group]
        return muted

    def _heard(
        self, silent: Sequence[Event], told: list[Event], muted: list[Event]
    ) -> tuple[list[Event], list[Event]]:
        """Without what began and ended while it was muted, of which nobody ever hears."""
        begun = {event.key for event in silent if event.state == "began"}
        over = {key for key in begun if self.known.has_ended(key)}
        return [one for one in told if one.key not in over], [one for one in muted if one.key not in over]

    def _sooner(self, letter: Letter) -> Letter:
        """Not later than it would be from now on: the clock may have been put back, quiet hours changed."""
        longest_ms = LONGEST_WAIT_MS if letter.tries else 0
        return replace(letter, due_ms=min(letter.due_ms, self.now_ms + longest_ms))

    def _placed(self, waiting: dict[str, Letter], told: Sequence[Event]) -> list[Letter]:
        """Outside of quiet hours."""
        latest_ms = self.now_ms + (self.storm_ms + SEEN_LATER_MS if self.storm_ms else 0)
        letters = {
            group: replace(letter, due_ms=self.now_ms if group == QUIET else min(letter.due_ms, latest_ms))
            for group, letter in waiting.items()
        }
        for event in told:
            group = f"{_STORM}{event.incident}"
            if group not in letters and not self._may_have_others(event):
                group = event.incident
            alone = not group.startswith(_STORM)
            letter = letters.get(group) or self._new(
                "" if alone else group, self.now_ms if alone else latest_ms
            )
            letters[group] = self._extended(letter, [event], letter.due_ms)
        return list(letters.values())

    def _may_have_others(self, event: Event) -> bool:
        return self.known.is_storm(event) or (event.state == "began" and event.upstream is not None)

    def _until(self, quiet_ms: int, waiting: dict[str, Letter], told: Sequence[Event]) -> list[Letter]:
        """One letter for all that waits, and all that came, in quiet hours."""
        if not waiting and not told:
            return []
        made_ms = min((letter.made_ms for letter in waiting.values()), default=self.now_ms)
        every = tuple(name for letter in waiting.values() for name in letter.events)
        return [
            self._extended(
                Letter("", self.target.name, every, made_ms, quiet_ms, group=QUIET), told, quiet_ms
            )
        ]

    def _new(self, group: str, due_ms: int) -> Letter:
        return Letter("", self.target.name, (), self.now_ms, due_ms, group=group)

    def _extended(self, letter: Letter, events: Sequence[Event], due_ms: int) -> Letter:
        names = tuple(dict.fromkeys([*letter.events, *(event.name for event in events)]))
        return replace(letter, name=name_of(letter.target, names), events=names, due_ms=due_ms)


def name_of(target: str, parts: Iterable[str]) -> str:
    """The name of a message: 16 letters and digits, the same for the same events to the same target."""
    text = "\n".join((target, *parts))
    return b32encode(hashlib.sha256(text.encode()).digest()[:10]).decode().lower()


def _bounded(letters: Sequence[Letter], now_ms: int) -> tuple[Letter, ...]:
    """Of more than are kept the oldest are given up: sending.py puts them aside as it does with any that nobody took."""
    many = len(letters) - MOST_LETTERS
    if many <= 0:
        return tuple(letters)
    given_up = (
        replace(letter, tries=MOST_TRIES, due_ms=now_ms, fault=words.TOO_MANY) for letter in letters[:many]
    )
    return (*given_up, *letters[many:])
