"""What of a spool waits for the decoder: closed segments, and the parts of the one that is still written.

Facts the design follows:
- what a file holds up to the end of a part is named by its SHA-256. For the last part that is the file's own: a copy of a
  segment that is in the store as a whole is known there, whatever parts it came in;
- the receiver gives a segment its other name when it closes it, also while a part of it is being decoded.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO, Final

from flowdiag.collector.frames import PCAP_HEADER, RECORD_HEADER
from flowdiag.collector.live import seed_files
from flowdiag.collector.live.parts import ends_of, forget_ends
from flowdiag.collector.live.spool import CLOSED, OPEN, SET_ASIDE, Part, Piece, Segment, segments, sync_folder
from flowdiag.collector.store.adding import Content
from flowdiag.modes import opened

_CHUNK: Final = 1 << 20


def waiting_in(folder: Path) -> list[Piece]:
    """What of a worker's spool can be decoded, in the order in which it was received, and the last parts of closed
    segments that only have to be removed."""
    done = seed_files.covered(folder)
    found: dict[int, Piece] = {}
    for segment in (*segments(folder, OPEN), *segments(folder, CLOSED)):  # it may be closed at this moment
        for piece in pieces_of(segment):
            if piece.number > done or piece.end is None:
                found[piece.number] = piece
    return [found[number] for number in sorted(found)]


def pieces_of(segment: Segment) -> list[Piece]:
    """The parts of a segment that can be decoded; a closed one that is in one piece is that."""
    number, path = segment
    closed, ends = path.suffix == CLOSED, ends_of(path)
    if closed and not ends:
        return [segment]
    begins = (0, *(end.at for end in ends))
    found: list[Piece] = [
        Part(number + count, path, begin, end.at, end.early)
        for count, (begin, end) in enumerate(zip(begins, ends, strict=False))
    ]
    return [*found, Part(number + len(ends), path, begins[-1], None)] if closed else found


def octets_of(piece: Piece) -> int:
    """Raises FileNotFoundError for a closed segment that is gone."""
    return (piece.path.stat().st_size if piece.end is None else piece.end) - piece.begin


class Naming:
    """Gives what names pieces in the store's catalogue; what was read of a segment is not read again for its next part."""

    def __init__(self) -> None:
        self._digest = hashlib.sha256()
        self._segment: tuple[Path, str] | None = None
        self._position = 0

    def contents(self, pieces: Iterable[Piece]) -> list[Content]:
        """Raises OSError."""
        return [self._content(piece) for piece in pieces]

    def _content(self, piece: Piece) -> Content:
        path, end = piece.path, piece.end
        segment = path.parent, path.stem
        if (segment, piece.begin) != (self._segment, self._position):
            self._digest, self._segment, self._position = hashlib.sha256(), segment, 0
        with _opened(piece) as file:
            file.seek(self._position)
            while chunk := file.read(_CHUNK if end is None else min(_CHUNK, end - self._position)):
                self._digest.update(chunk)
                self._position += len(chunk)
        return Content(self._digest.hexdigest(), f"{path.stem}{CLOSED}", self._position)


def began_ms(piece: Piece) -> int | None:
    """When its first packet came."""
    with opened_piece(piece) as octets:
        octets.read(len(PCAP_HEADER))
        head = octets.read(RECORD_HEADER.size)
    if len(head) < RECORD_HEADER.size:
        return None
    seconds, microseconds, _, _ = RECORD_HEADER.unpack(head)
    return int(seconds) * 1000 + int(microseconds) // 1000


@contextmanager
def opened_piece(piece: Piece) -> Iterator[Octets]:
    """Raises OSError."""
    with _opened(piece) as file:
        yield Octets(file, piece)


class Octets:
    """A segment, or a part of one, as a capture of its own."""

    def __init__(self, file: IO[bytes], piece: Piece) -> None:
        self._file = file
        self._head = PCAP_HEADER if piece.begin else b""
        self._left = None if piece.end is None else piece.end - piece.begin
        file.seek(piece.begin)

    def read(self, size: int, /) -> bytes:
        """At most so many octets; empty only at the end."""
        if self._head:
            octets, self._head = self._head[:size], self._head[size:]
            return octets
        octets = self._file.read(size if self._left is None else min(size, self._left))
        if self._left is not None:
            self._left -= len(octets)
        return octets


def is_part(piece: Piece) -> bool:
    """Whether its file holds more than it."""
    return piece.begin > 0 or piece.end is not None


def remove(piece: Piece) -> None:
    """What is in the store goes: the file, with its last part. Raises OSError."""
    if piece.end is None:
        piece.path.unlink()
        forget_ends(piece.path)


def set_aside(piece: Piece) -> None:
    """Keeps what cannot be decoded beside what waits; a part as a copy, on disk. Raises OSError."""
    if not is_part(piece):
        piece.path.rename(piece.path.with_suffix(SET_ASIDE))
        return
    path = piece.path.with_name(f"{piece.number:012d}{SET_ASIDE}")
    with opened_piece(piece) as octets, open(path, "wb", opener=opened) as copy:
        while chunk := octets.read(_CHUNK):
            copy.write(chunk)
        copy.flush()
        os.fsync(copy.fileno())
    sync_folder(path.parent)


@contextmanager
def _opened(piece: Piece) -> Iterator[IO[bytes]]:
    try:
        file = piece.path.open("rb")
    except FileNotFoundError:
        if piece.path.suffix != OPEN:
            raise
        file = piece.path.with_suffix(CLOSED).open("rb")
    with file:
        yield file
