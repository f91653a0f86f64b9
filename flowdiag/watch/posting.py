"""What is on its way from a watcher to those who are told."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Self

from flowdiag.watch.event import Event
from flowdiag.watch.holding import Holding
from flowdiag.watch.notify import Notify
from flowdiag.watch.part import Letter
from flowdiag.watch.printing import print_held, to_print


class PostOffice:
    def __init__(
        self, store: str, holding: Holding, notify: Notify, write: Callable[[Sequence[Event]], None]
    ) -> None:
        self._holding, self._write = holding, write
        self.printed: list[Event] = []

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *error: object) -> None:
        pass

    def made(self, events: Sequence[Event]) -> tuple[Letter, ...]:
        return to_print(events)

    def work(self, now_ms: int) -> None:
        self.printed += print_held(self._holding, self._write)
