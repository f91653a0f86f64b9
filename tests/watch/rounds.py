"""Rounds of a watch over some parts: what comes is written into letters, sent to receivers, and noted."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from msgspec.structs import replace

from flowdiag.collector.store.folder import Folder
from flowdiag.watch.event import Event
from flowdiag.watch.message import Message, NotTaken
from flowdiag.watch.notify import Notify, Secret, Target, Webhook
from flowdiag.watch.part import Part
from flowdiag.watch.sending import Sender, settled
from flowdiag.watch.telling import join_storms, letters_for

Took = Callable[[Target, Message, int], None]


class Receiver:
    """Notes what it takes. refuse: asked of each message for the reason not to."""

    def __init__(self, refuse: Callable[[Message], NotTaken | None] = lambda _: None) -> None:
        self.taken: list[Message] = []
        self.asked: list[tuple[str, Message]] = []
        self.refuse = refuse

    def __call__(self, target: Target, message: Message, now_ms: int) -> None:
        self.asked.append((target.name, message))
        fault = self.refuse(message)
        if fault is not None:
            raise fault
        self.taken.append(message)

    @property
    def told(self) -> list[str]:
        """The names of the events that were taken, in order."""
        return [one.name for message in self.taken for one in message.events]


class Watch:
    """Rounds of a watch over some parts: events come, letters are made, sent, and noted."""

    def __init__(self, folder: Path, notify: Notify, receiver: Took | None = None, parts: int = 1) -> None:
        self.backend = Folder(folder)
        self.notify = notify
        self.sender = Sender(notify, self.backend, *([receiver] if receiver is not None else []))
        self.parts = [Part() for _ in range(parts)]

    def round(self, now_ms: int, *new: Event, part: int = 0, wait_s: float = 10.0) -> None:
        for number, before in enumerate(self.parts):
            joined = join_storms(before.events, new if number == part else ())
            letters = letters_for(self.notify, before, joined, (), now_ms)
            self.parts[number] = replace(before, events=(*before.events, *joined), letters=letters)
        outcomes = self.sender.send(self.parts, now_ms, wait_s)
        self.parts = [settled(one, outcomes) for one in self.parts]

    @property
    def letters(self) -> list[Any]:
        return [letter for part in self.parts for letter in part.letters]


NOC = Notify(targets=(Target(name="noc"),))


@contextmanager
def watching(
    folder: Path, receiver: Took | None = None, notify: Notify = NOC, parts: int = 1
) -> Iterator[Watch]:
    watch = Watch(folder, notify, receiver, parts)
    yield watch
    watch.sender.close()


def hook(url: str, **given: Any) -> Notify:
    return Notify(targets=(Webhook(name="tickets", url=url, secret=Secret("hush"), timeout_s=3.0, **given),))


def down(_: Message) -> NotTaken:
    return NotTaken("down", everyone=True)
