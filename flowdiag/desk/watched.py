"""What a watch over the same store knows and told, read from its ledger: open incidents, events, and what is silenced.

Facts the design follows:
- the watch is another process, here or elsewhere, or there is none: its documents are all that is known of it;
- a document is read again only when its version changed, which costs one question for all of them;
- a watcher gives a sign of life every few seconds; clocks of hosts differ, so that its silence is measured by this one's own.
"""

from __future__ import annotations

import asyncio
import logging
import time
from collections.abc import Iterable
from threading import Lock
from typing import Final

from flowdiag.durations import MINUTE_MS
from flowdiag.errors import FlowdiagError
from flowdiag.text.wording.desk import watch as wording
from flowdiag.watch.event import Event, SiteMemory
from flowdiag.watch.going_on import OpenIncident, last_event, open_incidents
from flowdiag.watch.holding import DEAD_AFTER_S, SIGN
from flowdiag.watch.ledger import Ledger
from flowdiag.watch.ledgers.opening import open_ledger
from flowdiag.watch.part import Part, decoded, is_part
from flowdiag.watch.silenced import DOCUMENT, Silence, add_silence, read_silences, remove_silence

READ_EVERY_S: Final = 10.0


class Watched:
    """begin() and end() within the event loop that serves; everything else from any thread. fault: why the ledger cannot be
    read, in one line."""

    def __init__(self, store: str) -> None:
        self._store = store
        self._ledger: Ledger | None = None
        self._parts: dict[str, tuple[int, Part]] = {}
        self._silences: tuple[int, tuple[Silence, ...]] = (0, ())
        self._signs: dict[str, tuple[int, float]] = {}
        self._lock = Lock()
        self._task: asyncio.Task[None] | None = None
        self._has_read = False
        self._open: tuple[object, list[OpenIncident]] = (None, [])
        self.fault: str | None = None

    def begin(self) -> None:
        self._task = asyncio.get_running_loop().create_task(self._read_on())

    def end(self) -> None:
        if self._task is not None:
            self._task.cancel()
        if self._ledger is not None:
            self._ledger.close()

    async def ready(self) -> None:
        """Returns once the ledger was read, or could not be."""
        if not self._has_read:
            await asyncio.to_thread(self.read)

    async def _read_on(self) -> None:
        while True:
            try:
                await asyncio.to_thread(self.read)
            except Exception:
                logging.getLogger("flowdiag.desk").exception(wording.NOT_READ)
            await asyncio.sleep(READ_EVERY_S)

    def read(self) -> None:
        """Reads what changed since the last time."""
        with self._lock:
            try:
                self._read(self._opened())
                self.fault = None
            except FlowdiagError as error:
                self.fault = str(error)
            self._has_read = True

    def _opened(self) -> Ledger:
        if self._ledger is None:
            self._ledger = open_ledger(self._store)
        return self._ledger

    def _read(self, ledger: Ledger) -> None:
        versions, now_s = ledger.versions(), time.monotonic()
        parts = dict(self._parts)
        for name in parts.keys() - versions.keys():
            del parts[name]
        for name, version in versions.items():
            if is_part(name) and (name not in parts or parts[name][0] != version):
                document = ledger.read(name)
                if document is not None:
                    parts[name] = document.version, decoded(name, document.content)
        self._parts = parts
        known = versions.get(DOCUMENT, 0)
        if known != self._silences[0]:
            self._silences = known, read_silences(ledger)
        self._signs = {
            name: self._signs[name]
            if name in self._signs and self._signs[name][0] == version
            else (version, now_s)
            for name, version in versions.items()
            if name.startswith(SIGN)
        }

    @property
    def runs(self) -> bool | None:
        """Whether a watch runs; None where none ever did."""
        if not self._parts and not self._signs:
            return None
        return any(time.monotonic() - since_s < DEAD_AFTER_S for _, since_s in self._signs.values())

    @property
    def silences(self) -> tuple[Silence, ...]:
        return self._silences[1]

    def memories(self) -> Iterable[tuple[str, SiteMemory]]:
        """Each site that is watched, by the place of its profile."""
        for _, part in list(self._parts.values()):
            yield from part.sites.items()

    def events(self, since_ms: int) -> list[Event]:
        """Those that were told from then on, the newest first."""
        found = [
            event
            for _, part in list(self._parts.values())
            for event in part.events
            if event.told_ms >= since_ms
        ]
        return sorted(found, key=lambda event: (event.told_ms, event.name), reverse=True)

    def event_of(self, key: str) -> Event | None:
        """The last event of an incident."""
        return last_event(self._current(), key)

    def open_incidents(self, now_ms: int) -> list[OpenIncident]:
        """The ones that were told to have begun and not to have ended, the newest first."""
        # Many look at the same page: it is worked out once a minute, and when something changed.
        known = {name: version for name, (version, _) in self._parts.items()}
        key = known, self._silences[0], now_ms // MINUTE_MS
        if self._open[0] != key:
            self._open = key, open_incidents(self._current(), self.silences, now_ms)
        return self._open[1]

    def _current(self) -> list[Part]:
        return [part for _, part in list(self._parts.values())]

    def silence(self, silence: Silence, now_ms: int) -> None:
        """Raises UsageError for one that cannot be meant, StoreError."""
        add_silence(self._opened(), silence, now_ms)
        self.read()

    def tell_again(self, name: str, now_ms: int) -> bool:
        """Whether there was a silence of that name, which is no more. Raises StoreError."""
        done = remove_silence(self._opened(), name, now_ms)
        self.read()
        return done
