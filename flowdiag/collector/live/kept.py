"""What a segment held that could not be decoded yet: kept beside the spool until it can be.

    spool/0/kept/000000000007-known-120.pcap    data of exporters that are known, whose template has not come; 120 messages
    spool/0/kept/000000000008-new-3.pcap        the same of others
    spool/0/kept/000000000009-later-64.pcap     messages whose turn did not come: of newcomers, or who cost too much
    spool/0/kept/.000000000010-new-5-HEX        being made, with the SHA-256 of what it is taken from

Facts the design follows:
- templates come again only every few minutes (RFC 7011 8.4), and a collector should keep what comes before them
  (RFC 7011 9); memory is no place for minutes of a busy exporter, and does not outlive a crash;
- what is kept is taken from a segment, or from something kept before. It is written aside before the flows of that are
  in the store, and counts from the moment they are: after a crash in between it is thrown away and made again, and
  nothing is decoded twice (recover());
- a file is known to the store by its content, like a segment, and one may hold just what its segment held; so the headers
  of all kinds differ;
- all of it can be made up, so it is bounded by kind, by exporter and in number. The oldest goes first, an exporter
  that has filled its share has to wait, and newcomers take nothing from those who are known.
"""

from __future__ import annotations

import os
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import IO, Final, Literal

from msgspec import Struct, field

from flowdiag.collector.datagram import Datagram
from flowdiag.collector.frames import PCAP_HEADER, RECORD_HEADER, packet_source, pcap_header
from flowdiag.collector.live.seed_files import packet_of
from flowdiag.collector.live.spool import CLOSED, SET_ASIDE, sync_folder

Kind = Literal["known", "new", "later"]
KINDS: Final[tuple[Kind, ...]] = ("known", "new", "later")

# Octets of each kind, and of one exporter in it: twenty minutes of a busy router and its share of them.
MAX_OCTETS: Final[dict[Kind, int]] = {"known": 256 << 20, "new": 128 << 20, "later": 64 << 20}
MAX_OF_EXPORTER: Final[dict[Kind, int]] = {"known": 128 << 20, "new": 32 << 20, "later": 8 << 20}
# Files of each kind; a segment makes one at most.
MAX_FILES: Final = 512
# Exporters told apart in one file, those beyond share one allowance.
MAX_SHARES: Final = 4_096
_OTHERS: Final = b""
FOLDER: Final = "kept"


def has_kept(folder: Path) -> bool:
    """Whether the spool of a worker has anything kept."""
    return (folder / FOLDER).is_dir()


class Kept(Struct):
    """A file of kept messages.

    octets_of: octets of each exporter in it; tried: the revision of what was known of each (Knowledge.revision) at the last
    try in vain; tried_day: day of that try, in days since 1970 UTC."""

    number: int
    kind: Kind
    messages: int
    path: Path
    octets_of: Counter[bytes]
    tried: dict[bytes, int] = field(default_factory=dict)
    tried_day: int = -1

    @property
    def octets(self) -> int:
        return self.octets_of.total()


class Keeping:
    """The folder of one worker. messages: put aside since the start; given_up: messages that had to go."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder / FOLDER
        self._files: dict[int, Kept] = {}
        self.messages: Counter[Kind] = Counter()
        self.given_up = 0

    def recover(self, is_stored: Callable[[str], bool]) -> None:
        """At the start. is_stored: whether what has this SHA-256 is in the store. Raises OSError, StoreError."""
        self._files.clear()
        if not self._folder.is_dir():
            return
        for path in sorted(self._folder.glob(".*")):
            name, _, digest = path.name[1:].rpartition("-")
            if is_stored(digest):
                path.rename(path.with_name(f"{name}{CLOSED}"))
            else:
                path.unlink()
        sync_folder(self._folder)
        for path in sorted(self._folder.glob(f"*{CLOSED}")):
            number, kind, messages = path.stem.split("-")
            if kind in KINDS:
                self._files[int(number)] = Kept(int(number), kind, int(messages), path, _shares(path))
        self._bound()

    def files(self) -> list[Kept]:
        """All of them, the oldest first."""
        return [kept for _, kept in sorted(self._files.items())]

    def octets_of(self, kind: Kind, exporter: bytes) -> int:
        return sum(kept.octets_of[exporter] for kept in self._files.values() if kept.kind == kind)

    def begin(self, digest: str) -> PuttingAside:
        """Starts to put aside what something with this SHA-256 holds."""
        return PuttingAside(self, self._folder, digest, max(self._files, default=0) + 1)

    def add(self, kept: Kept) -> None:
        """One more, which counts from now on."""
        self._files[kept.number] = kept
        self.messages[kept.kind] += kept.messages
        self._bound()

    def remove(self, kept: Kept) -> None:
        """One that was decoded."""
        kept.path.unlink(missing_ok=True)
        self._files.pop(kept.number, None)

    def set_aside(self, number: int) -> None:
        """One that cannot be decoded by a fault of the program."""
        if kept := self._files.pop(number, None):
            kept.path.rename(kept.path.with_suffix(SET_ASIDE))

    def _bound(self) -> None:
        for kind in KINDS:
            files = [kept for kept in self.files() if kept.kind == kind]
            octets = sum(kept.octets for kept in files)
            while files and (octets > MAX_OCTETS[kind] or len(files) > MAX_FILES):
                oldest = files.pop(0)
                octets -= oldest.octets
                self.given_up += oldest.messages
                self.remove(oldest)


class PuttingAside:
    """Files that are being made. They count after finish() and keep(). messages: in them; given_up: those without room."""

    def __init__(self, keeping: Keeping, folder: Path, digest: str, number: int) -> None:
        self._keeping = keeping
        self._folder = folder
        self._digest = digest
        self._number = number
        self._open: dict[Kind, tuple[IO[bytes], Path]] = {}
        self._octets_of: dict[Kind, Counter[bytes]] = {kind: Counter() for kind in KINDS}
        self._room: dict[tuple[Kind, bytes], int] = {}
        self.messages: Counter[Kind] = Counter()
        self._made: list[Kept] = []
        self.given_up = 0

    def add(self, kind: Kind, datagram: Datagram) -> None:
        """One message, unless its exporter has filled its share. Raises OSError."""
        octets_of, exporter = self._octets_of[kind], datagram.session.exporter
        packet = packet_of(datagram)
        if exporter not in octets_of and len(octets_of) >= MAX_SHARES:
            exporter = _OTHERS
        if self._left(kind, exporter) < len(packet) or octets_of.total() + len(packet) > MAX_OCTETS[kind]:
            self.given_up += 1
            return
        if kind not in self._open:
            self._folder.mkdir(mode=0o750, exist_ok=True)
            path = self._folder / f".{self._number}-{kind}"
            self._open[kind] = path.open("wb"), path
            self._open[kind][0].write(pcap_header(1 + KINDS.index(kind)))
        self._open[kind][0].write(packet)
        octets_of[exporter] += len(packet)
        self._room[kind, exporter] -= len(packet)
        self.messages[kind] += 1

    def finish(self) -> None:
        """Everything is on disk when this returns, but does not count yet. Raises OSError."""
        for number, (kind, (file, path)) in enumerate(sorted(self._open.items()), self._number):
            file.flush()
            os.fsync(file.fileno())
            file.close()
            stem = f"{number:012d}-{kind}-{self.messages[kind]}"
            aside = path.rename(path.with_name(f".{stem}-{self._digest}"))
            self._made.append(Kept(number, kind, self.messages[kind], aside, self._octets_of[kind]))
        self._open.clear()
        if self._made:
            sync_folder(self._folder)
            sync_folder(self._folder.parent)

    def keep(self) -> None:
        """What it was taken from is in the store: from now on this counts. Raises OSError."""
        made, self._made = self._made, []
        for kept in made:
            stem = kept.path.name[1:].rpartition("-")[0]
            kept.path = kept.path.rename(kept.path.with_name(f"{stem}{CLOSED}"))
            self._keeping.add(kept)
        if made:
            sync_folder(self._folder)
        self._keeping.given_up += self.given_up

    def close(self) -> None:
        """Leaves it to recover() what counts."""
        for file, _ in self._open.values():
            file.close()

    def discard(self) -> None:
        """Nothing of it counts."""
        self.close()
        for _, path in self._open.values():
            path.unlink(missing_ok=True)
        for kept in self._made:
            kept.path.unlink(missing_ok=True)

    def _left(self, kind: Kind, exporter: bytes) -> int:
        room = self._room.get((kind, exporter))
        if room is None:
            room = MAX_OF_EXPORTER[kind] - self._keeping.octets_of(kind, exporter)
            self._room[kind, exporter] = room
        return room


def _shares(path: Path) -> Counter[bytes]:
    """Octets of each exporter in a file, as far as it is whole."""
    found: Counter[bytes] = Counter()
    with path.open("rb") as file:
        file.seek(len(PCAP_HEADER))
        while len(head := file.read(RECORD_HEADER.size)) == RECORD_HEADER.size:
            packet = file.read(RECORD_HEADER.unpack(head)[2])
            exporter = packet_source(packet)
            found[exporter if exporter in found or len(found) < MAX_SHARES else _OTHERS] += len(head) + len(
                packet
            )
    return found
