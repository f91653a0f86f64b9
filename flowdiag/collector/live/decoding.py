"""The process that decodes what the receiver has closed, or noted as a part (pieces.py), into the store.

Facts the design follows:
- whatever goes wrong with the store (no space, no connection, held by another) leaves the segment where it is, is
  said once, and is tried again: the spool is what makes this harmless;
- a fault of the program must not stop all that comes after: a segment that raises anything else is set aside;
- the end does not wait for the work: a segment that is not done in time stays in the spool as it is;
- a minute's early parts are decoded as they come, so that at its end little is left to do;
- segments that are taken together are put into the store after some seconds, at the end of the one in hand, and once the
  end has come after each: what an end cuts off has to be done again;
- what it left aside when it died goes before the first segment, or between two of them where the store was gone.
"""

from __future__ import annotations

import time
import traceback
from math import inf
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Final

from flowdiag.collector.live import pieces, seed_files
from flowdiag.collector.live.allow import AllowList
from flowdiag.collector.live.clocks import Today, Waits, steady
from flowdiag.collector.live.counters import Decoded, busiest
from flowdiag.collector.live.decoders import Interrupted
from flowdiag.collector.live.housekeeping import AGAIN_S
from flowdiag.collector.live.kept import has_kept
from flowdiag.collector.live.minutes import MINUTE_S
from flowdiag.collector.live.receiver import STOP
from flowdiag.collector.live.settings import FINISH_S, Settings
from flowdiag.collector.live.spool import Piece, owner_of
from flowdiag.collector.live.storing import Stored, Storing
from flowdiag.collector.live.tally import summed
from flowdiag.collector.live.upkeep import Upkeep
from flowdiag.collector.readers.packets import Dissector
from flowdiag.collector.store.backends import free_octets
from flowdiag.collector.store.changes import need_store
from flowdiag.collector.store.opening import open_backend
from flowdiag.errors import FlowdiagError, StoreError

POLL_S: Final = 0.2
RETRY_S: Final = 5.0
# Segments that are taken together when several wait, and their octets: about one that is full.
MAX_TOGETHER: Final = 64
TOGETHER_OCTETS: Final = 256 << 20
# Seconds after which what has been decoded is put into the store, although more could be taken together.
TOGETHER_S: Final = 5.0


class Decoding:
    """Works off spools until STOP comes, and then what is left, within FINISH_S."""

    def __init__(self, settings: Settings, folders: list[Path], allow: AllowList, pipe: Connection) -> None:
        self._settings = settings
        self._allow = allow
        self._backend = open_backend(settings.store, owner_of(folders[-1]))
        self._folders = folders
        self._pipe = pipe
        self._storing: dict[Path, Storing] = {}
        self._counters = Decoded()
        self._waits = Waits()
        self._upkeep = Upkeep(self._backend, settings.retain, Today())
        self._next_sweep = 0.0
        self._until: float | None = None
        self._most = MAX_TOGETHER

    def run(self) -> None:
        """Until the supervisor says so, or is gone."""
        self._sweep()
        while True:
            if not self._listen(POLL_S if not self._waiting() else 0):
                return
            waiting = self._waiting()
            if self._until is not None and (not waiting or time.monotonic() > self._until):
                for storing in self._storing.values() if not waiting else ():
                    self._count(storing.end())
                self._send_counters()
                return
            if waiting:
                if not self._send_counters():  # what follows may take its time
                    return
                self._work(self._together(waiting))
            elif self._until is None and self._work_on_kept():
                pass
            elif self._counters.upkeep and self._until is None:
                self._sweep()
            if not self._send_counters():
                return

    def _sweep(self) -> None:
        if time.monotonic() >= self._next_sweep:
            self._next_sweep = time.monotonic() + AGAIN_S
            self._upkeep.start(self._counters)

    def _waiting(self) -> list[Piece]:
        for folder in self._folders:
            if waiting := pieces.waiting_in(folder):
                return waiting
        return []

    def _listen(self, seconds: float) -> bool:
        """Waits for a command of the supervisor; False once it is gone."""
        try:
            command = self._pipe.recv() if self._pipe.poll(seconds) else None
            if isinstance(command, AllowList):
                self._allow = command
                for storing in self._storing.values():
                    storing.decoders.listed = command.hosts
            elif command == STOP and self._until is None:
                self._until = time.monotonic() + FINISH_S
        except (EOFError, OSError):
            return False
        return True

    def _together(self, waiting: list[Piece]) -> list[Piece]:
        """The first ones that wait, as many as are taken together."""
        taken, octets = waiting[:1], pieces.octets_of(waiting[0])
        most = self._most if self._until is None else 1
        for segment in waiting[1:most]:
            octets += pieces.octets_of(segment)
            if octets > TOGETHER_OCTETS:
                break
            taken.append(segment)
        return taken

    def _work(self, waiting: list[Piece]) -> None:
        folder = waiting[0].path.parent
        counters = self._counters
        try:
            storing = self._storing_of(folder)
            if not all(segment.path.exists() for segment in waiting):
                return
            self._need_room(waiting)
            early = any(segment.early for segment in waiting)  # to be stored with the rest of their minute
            until = inf if early else time.monotonic() + TOGETHER_S
            taken, stored = storing.store(
                waiting,
                last=self._is_last(waiting),
                ended=self._ended,
                enough=lambda: self._is_enough(until),
                more=self._more,
            )
        except Interrupted:
            self._drop(folder)
            return
        except (StoreError, OSError) as error:
            self._fail(folder, error)
            return
        except Exception:
            self._drop(folder)
            traceback.print_exc()
            if self._most > 1 and (len(waiting) > 1 or waiting[0].early):
                self._most = 1  # to find out which of them
                return
            self._set_aside(waiting[0])
            return
        counters.full = ""
        counters.segments += taken if stored.added else 0
        counters.known += taken if not stored.added else 0
        self._count(stored)

    def _set_aside(self, segment: Piece) -> None:
        """A fault of the program must not stop what follows."""
        try:
            pieces.set_aside(segment)
            if pieces.is_part(segment):
                self._storing_of(segment.path.parent).pass_over(segment)
        except (StoreError, OSError) as error:
            self._fail(segment.path.parent, error)
            return
        self._counters.set_aside += 1
        self._most = MAX_TOGETHER

    def _work_on_kept(self) -> bool:
        """Decodes one file of kept messages; False if none is worth a try."""
        for folder in self._folders:
            if not has_kept(folder):
                continue
            try:
                stored = self._storing_of(folder).store_kept(ended=self._ended)
            except Interrupted:
                self._drop(folder)
                return False
            except (StoreError, OSError) as error:
                self._fail(folder, error)
                return False
            except Exception:
                self._storing[folder].set_aside_kept()
                self._drop(folder)
                traceback.print_exc()
                self._counters.set_aside += 1
                return False
            if stored is not None:
                self._count(stored)
                return True
        return False

    def _drop(self, folder: Path) -> None:
        """Drops a worker's decoders: what they learned from half a segment is not to be used."""
        if storing := self._storing.pop(folder, None):
            self._count_kept(storing)

    def _fail(self, folder: Path, error: StoreError | OSError) -> None:
        self._drop(folder)
        self._counters.full = str(error) if isinstance(error, FlowdiagError) else error.strerror or str(error)
        self._send_counters()
        if self._until is not None:
            self._until = 0.0  # the end is no time to wait for space
        else:
            self._listen(RETRY_S)

    def _ended(self) -> bool:
        """Whether to stop in the middle: the supervisor is gone, or FINISH_S have passed since STOP."""
        if not self._listen(0):
            return True
        return self._until is not None and time.monotonic() > self._until

    def _is_enough(self, until: float) -> bool:
        """Whether what has been decoded so far is to be put into the store."""
        return not self._listen(0) or self._until is not None or time.monotonic() > until

    def _more(self, early: Piece) -> list[Piece]:
        """What follows an early part, which comes within the minute; nothing if the end comes first."""
        until = time.monotonic() + 2 * MINUTE_S
        while self._most > 1 and self._until is None and time.monotonic() < until:
            further = [one for one in pieces.waiting_in(early.path.parent) if one.number > early.number]
            if further:
                return further[:1]
            if not self._listen(POLL_S) or not self._send_counters():
                break
        return []

    def _count_kept(self, storing: Storing) -> None:
        """Adds what was counted of kept messages and forgotten exporters since the last call."""
        counters, keeping = self._counters, storing.keeping
        counters.kept += keeping.messages["known"] + keeping.messages["new"]
        counters.deferred += keeping.messages["later"]
        counters.given_up += keeping.given_up
        counters.forgotten += storing.decoders.forgotten
        keeping.messages.clear()
        keeping.given_up = storing.decoders.forgotten = 0

    def _count(self, stored: Stored) -> None:
        counters = self._counters
        counters.records += stored.records
        counters.messages += stored.messages
        counters.lost_messages += stored.lost_messages
        counters.lost_records += stored.lost_records
        counters.undecoded += stored.undecoded
        counters.damaged += len(stored.damage)
        counters.evicted += stored.evicted
        counters.late += stored.late
        counters.rollups_failed += stored.rollups_failed
        counters.exporters = busiest(summed(counters.exporters, stored.exporters))

    def _need_room(self, waiting: list[Piece]) -> None:
        """Raises StoreError while the store is gone, or the disk has no room for the files of segments."""
        need_store(self._backend)
        free = free_octets(self._backend)
        if free is not None and free < sum(map(pieces.octets_of, waiting)) // 2:
            raise StoreError(
                f"the disk is full ({free >> 20} MiB are free); decoding waits",
                file=self._backend.name,
                advice="make room; the spool keeps what was received",
            )

    def _storing_of(self, folder: Path) -> Storing:
        storing = self._storing.get(folder)
        if storing is None:
            dissector = Dissector()
            seed_files.tidy(folder)
            number = seed_files.covered(folder)
            for segment in pieces.waiting_in(folder):  # in the store, only not removed yet
                if segment.number <= number:
                    pieces.remove(segment)
            known = seed_files.load(self._settings.spool, dissector)
            storing = Storing(self._backend, folder, known, dissector, self._settings.roller)
            storing.decoders.listed = self._allow.hosts
            self._storing[folder] = storing
        return storing

    def _is_last(self, waiting: list[Piece]) -> bool:
        """Whether segments are the last ones of their spool until the next start of the collector."""
        folder = waiting[0].path.parent
        ends = self._until is not None or folder != self._folders[-1]
        return ends and len(pieces.waiting_in(folder)) == len(waiting)

    def _send_counters(self) -> bool:
        """Sends the counters to the supervisor; False once it is gone."""
        waiting = [segment for folder in self._folders for segment in pieces.waiting_in(folder)]
        counters = self._counters
        for storing in self._storing.values():
            self._count_kept(storing)
        kept = [kept for storing in self._storing.values() for kept in storing.keeping.files()]
        counters.decoders = sum(len(storing.decoders) for storing in self._storing.values())
        counters.kept_segments, counters.kept_octets = len(kept), sum(one.octets for one in kept)
        counters.waiting_segments, counters.waiting_octets, seconds = self._waits.look(waiting)
        counters.waiting_since = steady() - seconds if counters.waiting_segments else 0.0
        try:
            self._pipe.send(counters)
        except OSError:
            return False
        return True
