"""The spool: what was received, as classic pcap, in segments of a minute at most by default, until it is in the store.

    spool/lock                        held by the collector that uses the spool; in it the spool's name
    spool/0/000000000042.open         the segment that worker 0 is writing
    spool/0/000000000042.parts        how far it can be decoded already, if it is to be longer (parts.py)
    spool/0/000000000041.pcap         closed: whole and on disk; for the decoder, which removes it
    spool/0/000000000040.set-aside    one that could not be decoded by a fault of the program

Facts the design follows:
- what write() took survives the death of the process, what fsync() took that of the machine (POSIX). fsync takes as
  long as the disk likes, the kernel's receive buffer lasts for a tenth of a second: so it is done in a thread;
- a batch is one write. A crash or a full disk can cut it short; then the whole packets before the cut count;
- a name in a folder is on disk only after fsync of the folder;
- the newest minute is to be in the store some seconds after its end. So a segment is closed at the last whole minute in
  its time, and at each one before that what it holds is a part, to be decoded at once.
"""

from __future__ import annotations

import errno
import fcntl
import os
import re
import threading
import time
import uuid
from collections import deque
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Final, NamedTuple

from msgspec import Struct

from flowdiag.collector.frames import PCAP_HEADER, RECORD_HEADER, SNAP_LENGTH
from flowdiag.collector.live.minutes import MINUTE_S, Minutes
from flowdiag.collector.live.parts import End, forget_ends, last_number, note_end, orphans
from flowdiag.errors import StoreError
from flowdiag.modes import make_folder, opened

LOCK: Final = "lock"
_NAME: Final = re.compile(r"[0-9a-f]{32}")
OPEN: Final = ".open"
CLOSED: Final = ".pcap"
SET_ASIDE: Final = ".set-aside"
# What is written to see whether anything can be: more than a datagram.
TRIAL: Final = ".trial"
TRIAL_OCTETS: Final = 1 << 17
# What came of a minute when the decoder begins with it: a second of its work, so that little is left at the minute's end.
EARLY_OCTETS: Final = 16 << 20
NO_PART: Final = End(0)
# A collector that was just killed may need this long to be gone.
LOCK_PATIENCE_S: Final = 20.0
_LOCK_POLL_S: Final = 0.1


@contextmanager
def spool_lock(folder: Path) -> Iterator[None]:
    """Holds a spool for this collector, and gives it a name of its own for good. Raises StoreError if another one keeps it."""
    make_folder(folder)
    descriptor = opened(folder / LOCK, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC)
    try:
        until = time.monotonic() + LOCK_PATIENCE_S
        while True:
            try:
                fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
                break
            except BlockingIOError:
                if time.monotonic() > until:
                    raise StoreError(
                        "another collector uses this spool",
                        file=str(folder),
                        advice="end it first, or give this one a --spool of its own; they may share the --store",
                    ) from None
                time.sleep(_LOCK_POLL_S)
        if not spool_name(folder):
            os.pwrite(descriptor, uuid.uuid4().hex.encode(), 0)
        yield
    finally:
        os.close(descriptor)


def spool_name(folder: Path) -> str:
    """What tells a spool from all others, 32 hexadecimal digits; empty if it has no name yet."""
    try:
        name = (folder / LOCK).read_text("ascii", "replace")
    except FileNotFoundError:
        return ""
    return name if _NAME.fullmatch(name) else ""


def owner_of(folder: Path) -> str:
    """What the files begin with that the decoder of a worker's spool writes aside; empty if the spool has no name."""
    name = spool_name(folder.parent)
    return f"{name}-{folder.name}-" if name else ""


class Segment(NamedTuple):
    """A file of the spool. number: counts the parts of its worker's segments."""

    number: int
    path: Path

    @property
    def begin(self) -> int:
        return 0

    @property
    def end(self) -> int | None:
        return None

    @property
    def early(self) -> bool:
        return False


class Part(NamedTuple):
    """A part of a segment. begin, end: where in the file, None for all that follows, which only a closed one has; early:
    whether more of the same minute follows."""

    number: int
    path: Path
    begin: int
    end: int | None
    early: bool = False


Piece = Segment | Part


def segments(folder: Path, suffix: str = CLOSED) -> list[Segment]:
    """The segments of a worker in the order in which they were received."""
    found = [
        Segment(int(path.stem), path)
        for path in (folder.iterdir() if folder.is_dir() else ())
        if path.suffix == suffix and path.stem.isdigit()
    ]
    return sorted(found)


def worker_folders(spool: Path) -> list[Path]:
    """The spools of all workers that there are or were."""
    found = [path for path in spool.iterdir() if path.is_dir() and path.name.isdigit()]
    return sorted(found, key=lambda path: int(path.name))


def recover(folder: Path) -> int:
    """Closes what a collector that died left open, cut back to its whole packets. Gives the octets cut off."""
    cut = 0
    for _, path in segments(folder, OPEN):
        sound = whole_packets(path.read_bytes())
        octets = path.stat().st_size
        if sound <= len(PCAP_HEADER):
            path.unlink()
            forget_ends(path)
            continue
        with path.open("r+b") as file:
            file.truncate(sound)
            os.fsync(file.fileno())
        path.rename(path.with_suffix(CLOSED))
        cut += octets - sound
    for left in orphans(folder, {segment.path.stem for segment in segments(folder)}):
        left.unlink(missing_ok=True)
    sync_folder(folder)
    return cut


def whole_packets(octets: bytes) -> int:
    """Where the whole packets of a segment end."""
    if not octets.startswith(PCAP_HEADER):
        return 0
    position = len(PCAP_HEADER)
    while len(octets) - position >= RECORD_HEADER.size:
        seconds, _, captured, _ = RECORD_HEADER.unpack_from(octets, position)
        stop = position + RECORD_HEADER.size + captured
        if not seconds or captured > SNAP_LENGTH or stop > len(octets):
            break
        position = stop
    return position


def sync_folder(folder: Path) -> None:
    descriptor = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


class _Open(Struct, eq=False):
    """A segment that is written, or was and is not closed yet. named: as a closed one; part, noted: where its last part
    ends, as is to be noted and as is."""

    descriptor: int
    path: Path
    datagrams: int = 0
    named: bool = False
    part: End = NO_PART
    noted: End = NO_PART


class SpoolWriter:
    """Writes one worker's spool. sync_s: how often it is forced to disk; seconds, octets: when a segment is closed at the
    latest; reserve: octets of the disk to leave free; wall, passing: clocks (minutes.py).
    """

    def __init__(
        self,
        folder: Path,
        *,
        sync_s: float,
        seconds: float,
        octets: int,
        reserve: int = 0,
        wall: Callable[[], float] = time.time,
        passing: Callable[[], float] = time.monotonic,
    ) -> None:
        self._folder = folder
        self._seconds = seconds
        self._octets = octets
        self._reserve = reserve
        make_folder(folder)
        self._minutes = Minutes(wall, passing)
        self._passing = passing
        self._number = last_number(folder)
        self._current: _Open | None = None
        self._closing: deque[_Open] = deque()
        self._size = 0
        self._began = 0.0
        self.datagrams = 0  # written
        self.octets = 0  # written
        self.synced = 0  # datagrams on disk for good
        self.removed = 0  # datagrams in segments that somebody else removed before they were
        self.full = ""  # why nothing can be written now
        self.trouble = ""  # why nothing can be forced to disk now
        self._sync_s = sync_s
        self._wake = threading.Event()
        self._ending = False
        self._syncer = threading.Thread(target=self._sync_now_and_then, name="spool-sync", daemon=True)
        self._syncer.start()

    def append(self, parts: list[bytes], datagrams: int) -> bool:
        """Writes whole packets, in pieces. False, and nothing written, if the disk is full (then `full` says why)."""
        if self.full:
            return False
        octets = b"".join(parts)
        try:
            if self._current is None:
                self._begin()
            assert self._current is not None
            done = os.write(self._current.descriptor, octets)
            while done < len(octets):
                done += os.write(self._current.descriptor, octets[done:])
        except OSError as error:
            self.full = error.strerror or str(error)
            if self._current is not None:  # no half packet stays
                os.ftruncate(self._current.descriptor, self._size)
                os.lseek(self._current.descriptor, self._size, os.SEEK_SET)
            return False
        self._size += len(octets)
        self.octets += len(octets)
        self.datagrams += datagrams
        self._current.datagrams += datagrams
        if self._size >= self._octets:
            self._close()
        return True

    def tick(self) -> None:
        """Each second: closes a segment whose time is over or which was removed, makes what came a part of it at a whole
        minute, and looks whether there is room."""
        minute = self._minutes.over()
        if self._current is not None:
            gone = os.fstat(self._current.descriptor).st_nlink == 0
            until_next_s = MINUTE_S if minute else 0.0
            if gone or self._passing() - self._began + until_next_s >= self._seconds:
                self._close()
            else:
                self._end_part(self._current, minute=minute)
        self.full = self._obstacle()

    def _end_part(self, current: _Open, *, minute: bool) -> None:
        """Ends one at a whole minute, and an early one when much has come since the last."""
        octets = self._size - current.part.at
        if (minute and (octets or current.part.early)) or octets >= EARLY_OCTETS:
            current.part = End(self._size, early=not minute)
            self._number += 1
            self._wake.set()

    def _obstacle(self) -> str:
        """Why nothing can be written now; empty if it can. A folder that was removed is made again, unless the spool is gone
        as a whole: its disk may come back."""
        try:
            if self.full and self._folder.parent.is_dir():
                make_folder(self._folder)
            if free_octets(self._folder) < self._reserve:
                return f"less than {self._reserve >> 20} MiB are free"
            if self.full:
                self._try()
        except OSError as error:
            return error.strerror or str(error)
        return ""

    def _try(self) -> None:
        """Raises OSError if nothing can be written: free space says nothing of a read-only disk, or of a quota."""
        path = self._folder / TRIAL
        try:
            descriptor = opened(path, os.O_WRONLY | os.O_CREAT | os.O_TRUNC | os.O_CLOEXEC)
            try:
                if os.write(descriptor, bytes(TRIAL_OCTETS)) < TRIAL_OCTETS:
                    raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
            finally:
                os.close(descriptor)
        finally:
            path.unlink(missing_ok=True)

    def finish(self) -> None:
        """Closes the segment; everything is on disk when this returns."""
        if self._current is not None:
            self._close()
        self._ending = True
        self._wake.set()
        self._syncer.join()

    def _begin(self) -> None:
        path = self._folder / f"{self._number + 1:012d}{OPEN}"
        flags = os.O_WRONLY | os.O_CREAT | os.O_TRUNC | os.O_CLOEXEC
        descriptor = opened(path, flags)
        try:
            os.write(descriptor, PCAP_HEADER)
        except OSError:
            os.close(descriptor)
            with suppress(OSError):
                path.unlink()
            raise
        self._number += 1
        self._size = len(PCAP_HEADER)
        self._began = self._passing()
        self._current = _Open(descriptor, path)

    def _close(self) -> None:
        assert self._current is not None
        self._closing.append(self._current)
        self._current = None
        self._wake.set()

    def _sync_now_and_then(self) -> None:
        while True:
            ending = self._ending
            try:
                self._sync()
            except OSError as error:  # tried again; until then nothing more counts as being on disk
                self.trouble = error.strerror or str(error)
            else:
                self.trouble = ""
            if ending:
                return
            self._wake.wait(self._sync_s)
            self._wake.clear()

    def _sync(self) -> None:
        """Closed segments first: their packets come before those of the current one. Raises OSError."""
        written, current = self.datagrams, self._current
        part = NO_PART if current is None else current.part
        while self._closing:
            segment = self._closing[0]
            os.fsync(segment.descriptor)
            try:
                if not segment.named:
                    segment.path.rename(segment.path.with_suffix(CLOSED))
                    segment.named = True
                sync_folder(self._folder)
            except FileNotFoundError:
                if segment.named or os.fstat(segment.descriptor).st_nlink:
                    raise  # the folder is out of reach, and the file is in it
                self.removed += segment.datagrams
            self._closing.popleft()
            os.close(segment.descriptor)
            if segment is current:
                current = None
        if current is not None:
            os.fsync(current.descriptor)
            if part != current.noted and os.fstat(current.descriptor).st_nlink:
                note_end(current.path, part)
                sync_folder(self._folder)
                current.noted = part
        self.synced = written - self.removed


def free_octets(folder: Path) -> int:
    """Space left for this user where a folder lies."""
    status = os.statvfs(folder)
    return status.f_bavail * status.f_frsize
