"""The process that decodes: closed segments into the store, and the store's upkeep in between (upkeep.py).

Facts the design follows:
- whatever goes wrong with the store (no space, no connection, held by another) leaves the segment where it is, is
  said once, and is tried again: the spool is what makes this harmless;
- a fault of the program must not stop all that comes after: a segment that raises anything else is set aside;
- the end does not wait for the work: a segment that is not done in time stays in the spool as it is;
- segments that are taken together are put into the store after some seconds, at the end of the one in hand, and once the
  end has come after each: what an end cuts off has to be done again;
- a file a minute and exporter are too many to ask questions of: files are merged when a partition has many.
"""

from __future__ import annotations

import time
import traceback
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Final

from flowdiag.collector.live import seed_files
from flowdiag.collector.live.allow import AllowList
from flowdiag.collector.live.clocks import Today, Waits, steady
from flowdiag.collector.live.counters import Decoded, busiest
from flowdiag.collector.live.decoders import Interrupted
from flowdiag.collector.live.kept import has_kept
from flowdiag.collector.live.receiver import STOP
from flowdiag.collector.live.settings import FINISH_S, Settings
from flowdiag.collector.live.spool import SET_ASIDE, Segment, owner_of, segments
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
        self._upkeep = Upkeep(
            self._backend,
            settings.retain,
            Today(),
            rollup_days=settings.retain_rollups,
            roller=settings.roller,
        )
        self._until: float | None = None
        self._most = MAX_TOGETHER

    def run(self) -> None:
        """Until the supervisor says so, or is gone."""
        self._upkeep.start(self._counters)
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
            elif self._upkeep.due and self._until is None:
                self._upkeep.run(self._counters)
            if not self._send_counters():
                return

    def _waiting(self) -> list[Segment]:
        for folder in self._folders:
            if waiting := segments(folder):
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

    def _together(self, waiting: list[Segment]) -> list[Segment]:
        """The first ones that wait, as many as are taken together."""
        taken, octets = waiting[:1], waiting[0].path.stat().st_size
        most = self._most if self._until is None else 1
        for segment in waiting[1:most]:
            octets += segment.path.stat().st_size
            if octets > TOGETHER_OCTETS:
                break
            taken.append(segment)
        return taken

    def _work(self, waiting: list[Segment]) -> None:
        folder = waiting[0].path.parent
        counters = self._counters
        try:
            storing = self._storing_of(folder)
            if not all(segment.path.exists() for segment in waiting):
                return
            self._need_room(waiting)
            until = time.monotonic() + TOGETHER_S
            taken, stored = storing.store(
                waiting, last=self._is_last(waiting), ended=self._ended, enough=lambda: self._is_enough(until)
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
            if len(waiting) > 1:
                self._most = 1  # to find out which of them
                return
            waiting[0].path.rename(waiting[0].path.with_suffix(SET_ASIDE))
            counters.set_aside += 1
            self._most = MAX_TOGETHER
            return
        counters.full = ""
        counters.segments += taken if stored.added else 0
        counters.known += taken if not stored.added else 0
        self._count(stored)

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

    def _need_room(self, waiting: list[Segment]) -> None:
        """Raises StoreError while the store is gone, or the disk has no room for the files of segments."""
        need_store(self._backend)
        free = free_octets(self._backend)
        if free is not None and free < sum(segment.path.stat().st_size for segment in waiting) // 2:
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
            for segment in segments(folder):  # in the store, only not removed yet
                if segment.number <= number:
                    segment.path.unlink()
            known = seed_files.load(self._settings.spool, dissector)
            storing = Storing(self._backend, folder, known, dissector, self._settings.roller)
            storing.decoders.listed = self._allow.hosts
            self._storing[folder] = storing
        return storing

    def _is_last(self, waiting: list[Segment]) -> bool:
        """Whether segments are the last ones of their spool until the next start of the collector."""
        folder = waiting[0].path.parent
        ends = self._until is not None or folder != self._folders[-1]
        return ends and len(segments(folder)) == len(waiting)

    def _send_counters(self) -> bool:
        """Sends the counters to the supervisor; False once it is gone."""
        waiting = [segment for folder in self._folders for segment in segments(folder)]
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
