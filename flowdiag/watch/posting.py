"""What is on its way from a watcher to those who are told: printed, and sent to targets."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping, Sequence
from typing import Final, Self

from flowdiag.collector.store.opening import open_backend
from flowdiag.watch.event import Event
from flowdiag.watch.holding import Holding
from flowdiag.watch.notify import Notify
from flowdiag.watch.part import Letter, Part
from flowdiag.watch.printing import print_held, to_print
from flowdiag.watch.sending import Outcome, Sender, settled

# What was sent and is not noted yet is sent again after a kill.
NOTED_EVERY_S: Final = 0.2


class PostOffice:
    def __init__(
        self, store: str, holding: Holding, notify: Notify, write: Callable[[Sequence[Event]], None]
    ) -> None:
        """Raises FlowdiagError where a package is missing that the targets need."""
        self._holding, self._write = holding, write
        self._backend = open_backend(store)
        self._sender = Sender(notify, self._backend) if notify.targets else None

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *error: object) -> None:
        """Waits for what is on its way, and has noted what became of it."""
        if self._sender is not None:
            self._note(self._sender.close())

    def renew(self, notify: Notify) -> None:
        """Sends by another file from now on, after what is on its way. Raises FlowdiagError where a package is missing that its
        targets need; then nothing changes. Raises StoreError."""
        before, self._sender = self._sender, Sender(notify, self._backend) if notify.targets else None
        outcomes = {} if before is None else before.close()
        if self._sender is not None:
            self._sender.take_over(outcomes)
        else:
            self._note(outcomes)

    def made(self, events: Sequence[Event]) -> tuple[Letter, ...]:
        return to_print(events)

    def work(self, now_ms: int, wait_s: float = 0.0) -> None:
        """Prints and begins to send what is due of the parts held, and notes what became of it. wait_s: for what is begun. Raises
        StoreError: what could not be noted is noted by the next call."""
        print_held(self._holding, self._write)
        # Whoever is not sure to hold parts still must not send what another may be sending.
        if self._sender is not None and self._holding.is_sure:
            parts = [part for part, _ in self._holding.held.values()]
            self._note(self._sender.send(parts, now_ms, wait_s))

    def finish(self, now_ms: int, most_s: float) -> None:
        """For a watch that looks once: sends all that is due, for so long at most. Raises StoreError."""
        until_s = time.monotonic() + most_s
        self.work(now_ms, min(most_s, NOTED_EVERY_S))
        while self._sender is not None and time.monotonic() < until_s:
            if not self._sender.is_due([part for part, _ in self._holding.held.values()], now_ms):
                break
            self.work(now_ms, min(until_s - time.monotonic(), NOTED_EVERY_S))

    def is_at(self, part: Part) -> bool:
        if self._sender is None or not part.letters:
            return False
        names = self._sender.on_their_way()
        return any(letter.name in names for letter in part.letters)

    def _note(self, outcomes: Mapping[str, Outcome]) -> None:
        after = {name: settled(part, outcomes) for name, (part, _) in self._holding.held.items()}
        new = {name: part for name, part in after.items() if part is not self._holding.held[name].part}
        self._holding.replace_each(new)
