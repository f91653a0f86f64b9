"""The process that decodes: closed segments into the store, and the store's upkeep in between (caring.py).

Facts the design follows:
- whatever goes wrong with the store (no space, no connection, held by another) leaves the segment where it is, is
  said once, and is tried again: the spool is what makes this harmless;
- a fault of the program must not stop all that comes after: a segment that raises anything else is set aside.
"""

from __future__ import annotations

import signal
import time
import traceback
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Final

from flowdiag.collector.live import knowing
from flowdiag.collector.live.caring import Caring
from flowdiag.collector.live.clocks import Today, Waits, steady
from flowdiag.collector.live.counters import Decoded, busiest
from flowdiag.collector.live.receiver import STOP
from flowdiag.collector.live.settings import FINISH_S, Settings
from flowdiag.collector.live.spool import SET_ASIDE, Segment, owner_of, segments
from flowdiag.collector.live.storing import Stored, Storing
from flowdiag.collector.live.tally import summed
from flowdiag.collector.readers.packets import Dissector
from flowdiag.collector.store.changes import need_store
from flowdiag.collector.store.places import free_octets, open_place
from flowdiag.errors import FlowdiagError, StoreError

POLL_S: Final = 0.2
RETRY_S: Final = 5.0


def run_decoder(settings: Settings, folders: list[Path], pipe: Connection) -> None:
    """The whole life of the process. folders: spools to work off, the last one being the worker's own."""
    for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
        signal.signal(number, signal.SIG_IGN)  # the supervisor passes on what they mean
    Decoding(settings, folders, pipe).run()


class Decoding:
    """Works off spools until it is told to stop, and then what is left, within FINISH_S."""

    def __init__(self, settings: Settings, folders: list[Path], pipe: Connection) -> None:
        self._settings = settings
        self._place = open_place(settings.store, owner_of(folders[-1]))
        self._folders = folders
        self._pipe = pipe
        self._storing: dict[Path, Storing] = {}
        self._told = Decoded()
        self._waits = Waits()
        self._caring = Caring(self._place, settings.retain, Today())
        self._until: float | None = None

    def run(self) -> None:
        """Until the supervisor says so, or is gone."""
        self._caring.begin(self._told)
        while True:
            if not self._listen(POLL_S if not self._waiting() else 0):
                return
            waiting = self._waiting()
            if self._until is not None and (not waiting or time.monotonic() > self._until):
                for storing in self._storing.values() if not waiting else ():
                    self._count(storing.end())
                self._tell()
                return
            if waiting:
                if not self._tell():  # what follows may take its time
                    return
                self._work(waiting[0])
            elif self._caring.due and self._until is None:
                self._caring.look_after(self._told)
            if not self._tell():
                return

    def _waiting(self) -> list[Segment]:
        for folder in self._folders:
            if waiting := segments(folder):
                return waiting
        return []

    def _listen(self, seconds: float) -> bool:
        """Waits for a word of the supervisor. False if there is none any more."""
        try:
            if self._pipe.poll(seconds) and self._pipe.recv() == STOP and self._until is None:
                self._until = time.monotonic() + FINISH_S
        except (EOFError, OSError):
            return False
        return True

    def _work(self, segment: Segment) -> None:
        folder = segment.path.parent
        told = self._told
        try:
            storing = self._storing_of(folder)
            if not segment.path.exists():
                return
            self._need_room(segment)
            stored = storing.store(segment, last=self._is_last(segment))
        except (StoreError, OSError) as error:
            self._storing.pop(folder, None)  # what it has learned from half a segment is not to be used
            told.full = str(error) if isinstance(error, FlowdiagError) else error.strerror or str(error)
            self._tell()
            if self._until is not None:
                self._until = 0.0  # the end is no time to wait for space
            else:
                self._listen(RETRY_S)
            return
        except Exception:
            self._storing.pop(folder, None)
            traceback.print_exc()
            segment.path.rename(segment.path.with_suffix(SET_ASIDE))
            told.set_aside += 1
            return
        told.full = ""
        told.segments += stored.added
        told.known += not stored.added
        self._count(stored)

    def _count(self, stored: Stored) -> None:
        told = self._told
        told.records += stored.records
        told.messages += stored.messages
        told.lost_messages += stored.lost_messages
        told.lost_records += stored.lost_records
        told.undecoded += stored.undecoded
        told.damaged += len(stored.damage)
        told.forgotten += stored.forgotten
        told.exporters = busiest(summed(told.exporters, stored.exporters))

    def _need_room(self, segment: Segment) -> None:
        """Raises StoreError while the store is gone, or the disk has no room for the files of a segment."""
        need_store(self._place)
        free = free_octets(self._place)
        if free is not None and free < segment.path.stat().st_size // 2:
            raise StoreError(
                f"the disk is full ({free >> 20} MiB are free); decoding waits",
                file=self._place.name,
                advice="make room; the spool keeps what was received",
            )

    def _storing_of(self, folder: Path) -> Storing:
        storing = self._storing.get(folder)
        if storing is None:
            dissector = Dissector()
            knowing.tidy(folder)
            number = knowing.covered(folder)
            for segment in segments(folder):  # in the store, only not removed yet
                if segment.number <= number:
                    segment.path.unlink()
            storing = Storing(self._place, knowing.load(self._settings.spool, dissector), dissector)
            self._storing[folder] = storing
        return storing

    def _is_last(self, segment: Segment) -> bool:
        """Whether a segment is the last one of its spool until the next start of the collector."""
        folder = segment.path.parent
        ends = self._until is not None or folder != self._folders[-1]
        return ends and len(segments(folder)) == 1

    def _tell(self) -> bool:
        waiting = [segment for folder in self._folders for segment in segments(folder)]
        told = self._told
        told.decoders = sum(len(storing.decoders) for storing in self._storing.values())
        told.waiting_segments, told.waiting_octets, seconds = self._waits.look(waiting)
        told.waiting_since = steady() - seconds if told.waiting_segments else 0.0
        try:
            self._pipe.send(told)
        except OSError:
            return False
        return True
