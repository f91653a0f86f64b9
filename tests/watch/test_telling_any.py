"""Whatever comes, in whatever order, with kills and mutes between: who is told hears each change once, and in order."""

from __future__ import annotations

from collections import Counter
from pathlib import Path
from typing import Any, Final

import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st
from msgspec.structs import replace

from flowdiag.durations import DAY_MS, HOUR_MS, MINUTE_MS
from flowdiag.site.hours import parse_hours
from flowdiag.watch.event import Event
from flowdiag.watch.message import Message, NotTaken
from flowdiag.watch.notify import Notify, Quiet, Target
from flowdiag.watch.part import Part, decoded, encoded
from flowdiag.watch.sending import Sender, settled
from flowdiag.watch.silenced import Silence
from flowdiag.watch.telling import join_storms, letters_for
from tests.watch.invented import NOON_MS, end, event, reminder

TARGETS: Final = (
    Target(name="noc"),
    Target(name="night", quiet=Quiet(parse_hours("12:30-14:00"), "UTC")),
)
ROUNDS: Final = 40
SITES: Final = 6


@st.composite
def changes(draw: st.DrawFn) -> dict[int, list[Event]]:
    """What is found in each round: at each site one incident, or several one after the other."""
    found: dict[int, list[Event]] = {}
    for site in range(SITES):
        upstream = draw(st.sampled_from([None, "north", "north"]))
        at = draw(st.integers(0, 10))
        while at < ROUNDS:
            began_ms = NOON_MS + at * MINUTE_MS
            one = event(f"kowhai/site-{site}", upstream=upstream, began_ms=began_ms, told_ms=began_ms)
            found.setdefault(at, []).append(one)
            if draw(st.booleans()):
                one = reminder(one)
                found.setdefault(at + 1, []).append(one)
            at += draw(st.integers(1, 15))
            found.setdefault(at, []).append(end(one))
            at += draw(st.integers(0, 10))
    return found


class World:
    """A watch that may be killed, receivers that may refuse, mutes that come and go."""

    def __init__(self, folder: Path) -> None:
        self.notify = Notify(targets=TARGETS)
        self.part = Part()
        self.heard: dict[str, list[Message]] = {target.name: [] for target in TARGETS}
        self.refuses: set[str] = set()
        self.folder = folder
        self.sender = self._sender()

    def _sender(self) -> Sender:
        from flowdiag.collector.store.folder import Folder

        return Sender(self.notify, Folder(self.folder), self._deliver)

    def _deliver(self, target: Target, message: Message, now_ms: int) -> None:
        if target.name in self.refuses:
            raise NotTaken("down", everyone=True)
        self.heard[target.name].append(message)

    def round(self, now_ms: int, new: list[Event], silences: list[Silence], kill: str) -> None:
        """kill: what is not done of it, and is done again by who comes next."""
        part = decoded("part-00", encoded(self.part))
        joined = join_storms(part.events, new)
        letters = letters_for(self.notify, part, joined, silences, now_ms)
        after = replace(part, events=(*part.events, *joined), letters=letters)
        if kill == "before":  # nothing was written: who comes next does the same again
            assert letters_for(self.notify, part, joined, silences, now_ms) == letters
        self.part = after
        outcomes = self.sender.send([after], now_ms, 10.0)
        if kill == "unnoted":
            self.sender.close()
            self.sender = self._sender()
        else:
            self.part = settled(after, outcomes)


def of_one(messages: list[Message]) -> list[Message]:
    """Without repeats, which have the same name and say the same."""
    seen: dict[str, Message] = {}
    for message in messages:
        assert seen.setdefault(message.name, message) == message
    return list(seen.values())


@given(
    found=changes(),
    refusing=st.dictionaries(st.integers(0, ROUNDS), st.sampled_from(["noc", "night"]), max_size=8),
    kills=st.dictionaries(st.integers(0, ROUNDS + 20), st.sampled_from(["before", "unnoted"]), max_size=10),
    mutes=st.lists(st.tuples(st.integers(0, ROUNDS), st.integers(1, 30), st.integers(0, SITES)), max_size=3),
    back=st.sampled_from([0, 0, 0, 7, 90]),
)
# Shrunk, it would take minutes; the message of a failure has what is needed to play it again.
@settings(max_examples=40, deadline=None, phases=[Phase.explicit, Phase.reuse, Phase.generate])
def test_each_change_is_heard_once_and_in_order(
    tmp_path_factory: pytest.TempPathFactory,
    found: dict[int, list[Event]],
    refusing: dict[int, str],
    kills: dict[int, str],
    mutes: list[tuple[int, int, int]],
    back: int,
) -> None:
    world = World(tmp_path_factory.mktemp("world"))
    silences = [
        Silence(
            kind="muted",
            until_ms=NOON_MS + (begin + length) * MINUTE_MS,
            site=f"kowhai/site-{site}" if site < SITES else "kowhai/*",
            at_ms=NOON_MS + begin * MINUTE_MS,
        )
        for begin, length, site in mutes
    ]
    # A message that was sent and not noted, and is not due any more by a clock that was put back, may be extended.
    back = 0 if "unnoted" in kills.values() else back
    clock = 0
    for number in range(ROUNDS + 20):
        now_ms = NOON_MS + (number - (back if number >= 20 else 0)) * MINUTE_MS
        clock = max(clock, now_ms)
        world.refuses = {refusing[number]} if number in refusing else set()
        holding = [one for one in silences if one.at_ms <= now_ms]
        world.round(now_ms, found.get(number, []), holding, kills.get(number, ""))
    world.refuses = set()
    for hours in range(1, 30):  # all mutes and quiet hours are over
        world.round(clock + hours * HOUR_MS, [], [], "")
    world.sender.close()
    assert [letter for letter in world.part.letters if letter.due_ms < clock + DAY_MS] == []
    every = {one.name: one for events in found.values() for one in events if one in known(world)}
    for messages in world.heard.values():
        check(of_one(messages), every, muted=bool(mutes))


def known(world: World) -> list[Event]:
    return [replace(one, incident=one.key) for one in world.part.events]


def check(messages: list[Message], every: dict[str, Event], *, muted: bool) -> None:
    heard = [one for message in messages for one in message.events]
    assert max(Counter(one.name for one in heard).values(), default=0) <= 1
    for key in {one.key for one in every.values()}:
        numbers = [one.number for one in heard if one.key == key]
        assert numbers == sorted(numbers)
        told: list[Any] = [every[name].number for name in every if every[name].key == key]
        if not muted:
            assert numbers == sorted(told)
        elif numbers:
            states = {one.state for one in heard if one.key == key}
            whole = {one.state for one in every.values() if one.key == key}
            # What was begun to be told is told to its end.
            assert ("began" in states) is True
            assert ("ended" in states) is ("ended" in whole)
