"""gzip, bzip2 and zstd as streams of octets: bounded in memory and in output, sound up to where damage
starts.

Facts the design follows:
- recognised by their first octets (RFC 5655 10.1; RFC 1952, RFC 8878), never by the file's name;
- a stream may hold several members one after another (RFC 1952 2.2; parallel compressors write such files), and files
  that were put behind each other may be compressed in different ways or not at all;
- a member that is cut off swallows the beginning of the next, which is searched for in the octets taken last;
- decompressing can multiply the size a thousandfold and more, so output is taken in small pieces and stops at
  a bound; what came before it is used and the rest is noted.
"""

from __future__ import annotations

import bz2
import re
import zlib
from collections.abc import Callable, Iterator
from typing import Final, Protocol

from flowdiag.collector.readers.beginnings import NEEDED, begins
from flowdiag.collector.readers.compression_magics import (
    BZIP2,
    GZIP,
    LONGEST_MAGIC,
    ZSTD,
    compression_begins,
    compression_of,
)
from flowdiag.collector.readers.framing import begins_message
from flowdiag.collector.readers.source import Source
from flowdiag.collector.readers.window import CHUNK_OCTETS, Octets

# Flow exports compress three- to twentyfold; an invented one with equal records a few hundredfold, and is small.
MAX_RATIO: Final = 32
# Below this no ratio is asked for: small files of equal records may exceed any.
FREE_OCTETS: Final = 64 << 20
# No single export comes near; it bounds the time that one file can take.
MAX_OCTETS: Final = 256 << 30
# The greatest window of a zstd frame that is accepted: its decoder holds that much memory (RFC 8878
# 3.1.1.1.2).
MAX_ZSTD_WINDOW: Final = 128 << 20

# How often damage is passed over in one stream: each time costs a search.
MAX_RESUMED: Final = 64

# Members of one stream, and the least octets of each beyond that: parallel compressors make one of some ten thousand.
FREE_MEMBERS: Final = 10_000
OCTETS_A_MEMBER: Final = 1_000

# How often compression may be nested: a compressed file that was compressed once more.
MAX_LAYERS: Final = 2

TRUNCATED: Final = "the {kind} data ends early; what came before was used"
DAMAGED: Final = "the {kind} data is damaged; what came before was used"
# Another compressed file follows the damage, and is read.
RESUMED: Final = "the {kind} data ends early or is damaged; it was read on from the next compressed file"
TRAILING: Final = "octets after the {kind} data were left out"
MEMBERS: Final = "the {kind} data has more parts than a file of its size may have; what came before was used"
BOMB: Final = "the {kind} data grows beyond the greatest size or ratio allowed; what came before was used"


# zstd gives out whole blocks of up to 128 KiB for as few as 4 octets (RFC 8878 3.1.1.2): 2 KiB in, 64 MiB out
# at most.
_ZSTD_STEP: Final = 2_048

# What a damaged stream makes the libraries raise (zstandard's error is a plain Exception, caught in its
# adapter).
_DAMAGE: Final = (zlib.error, OSError, ValueError, EOFError)


class _Member(Protocol):
    """Decompressor of one member.

    Put octets in, take at most so many out; starved: nothing comes without more.
    """

    @property
    def starved(self) -> bool: ...
    @property
    def ended(self) -> bool: ...
    @property
    def unused(self) -> bytes: ...
    def put(self, octets: bytes) -> None: ...
    def take(self, most: int) -> bytes: ...


class Decompressor:
    """The octets inside compressed data, and inside whatever follows it: compressed in any way or plain.

    Damage, a cut-off end and bombs become problems.
    """

    def __init__(self, kind: str, octets: Octets, source: Source) -> None:
        self._kind = kind
        self._octets = octets
        self._source = source
        self._member: _Member = _MEMBERS[kind]()
        self._fed = (b"", b"")  # the last two chunks put into the member
        self._taken = 0
        self._given = 0
        self._done = False
        self._resumed = 0
        self._members = 1
        self._plain: bytes | None = None  # what is not compressed and comes next; None before that

    def read(self, size: int, /) -> bytes:
        while not self._done:
            if self._member.ended and not self._next_member():
                break
            try:
                if self._member.starved and not self._feed():
                    self._resume(TRUNCATED)
                    continue
                piece = self._member.take(min(size, CHUNK_OCTETS))
            except _DAMAGE:
                self._resume(DAMAGED)
                continue
            self._given += len(piece)
            if self._given > min(MAX_OCTETS, max(FREE_OCTETS, MAX_RATIO * self._taken)):
                self._stop(BOMB)
            if piece:
                return piece
        if self._plain is None:
            return b""
        piece, self._plain = self._plain[:size], self._plain[size:]
        return piece or self._octets.read(size)

    def _feed(self) -> bool:
        octets = self._take_in()
        self._fed = self._fed[1], octets
        self._member.put(octets)
        return bool(octets)

    def _take_in(self) -> bytes:
        octets = self._octets.read(CHUNK_OCTETS)
        self._taken += len(octets)
        return octets

    def _begin(self, kind: str, octets: bytes) -> None:
        """Goes on with a member that begins with some octets."""
        self._kind = kind
        self._member = _MEMBERS[kind]()
        self._member.put(octets)
        self._fed = b"", octets

    def _next_member(self) -> bool:
        """Go on with the member that follows, if one does. Zero octets after the last one are padding."""
        self._members += 1
        if self._members > FREE_MEMBERS + self._taken // OCTETS_A_MEMBER:
            self._stop(MEMBERS)
            return False
        rest = self._member.unused
        while len(rest) < max(NEEDED, FOLLOWING_OCTETS) and (more := self._take_in()):
            rest += more
        unpadded = rest.lstrip(b"\0")
        if kind := compression_of(rest):
            self._begin(kind, rest)
        elif kind := compression_begins(unpadded):
            self._begin(kind, unpadded)
        else:
            self._done = True
            if begins(rest, 0, len(rest)) or begins_message(rest, 0, len(rest)):
                self._plain = rest
            elif unpadded:
                self._stop(TRAILING)
        return not self._done

    def _resume(self, what: str) -> None:
        """After damage: goes on with the next member of any kind, or stops if none follows."""
        raw, start = b"".join(self._fed), 1
        self._resumed += 1
        while self._resumed <= MAX_RESUMED:
            for at in member_offsets(raw, start):
                kind = compression_begins(raw[at : at + LONGEST_MAGIC])
                if kind is not None:
                    self._source.problem(self._given, RESUMED.format(kind=self._kind))
                    self._begin(kind, raw[at:])
                    return
            start = 0
            more = self._take_in()
            if not more:
                break
            raw = raw[-LONGEST_MAGIC + 1 :] + more
        self._stop(what)

    def _stop(self, what: str) -> None:
        self._done = True
        self._source.problem(self._given, what.format(kind=self._kind))


def member_offsets(data: bytes, start: int) -> Iterator[int]:
    """The offsets of the magics of members in data[start:], ascending."""
    for match in _MAGIC.finditer(data, start):
        yield match.start()


_MAGIC: Final = re.compile(b"|".join(re.escape(magic) for magic in (GZIP, BZIP2, ZSTD)))
# Enough to see that export messages follow: the header of each kind and of its first set.
FOLLOWING_OCTETS: Final = 28


class _Gzip:
    def __init__(self) -> None:
        self._inflater = zlib.decompressobj(16 + zlib.MAX_WBITS)
        self._input = b""
        self._was_full = False  # the last output filled its bound: more may wait inside without further input

    @property
    def starved(self) -> bool:
        return not (self._input or self._was_full)

    @property
    def ended(self) -> bool:
        return self._inflater.eof

    @property
    def unused(self) -> bytes:
        return self._inflater.unused_data

    def put(self, octets: bytes) -> None:
        self._input += octets

    def take(self, most: int) -> bytes:
        piece = self._inflater.decompress(self._input, most)
        self._input = self._inflater.unconsumed_tail
        self._was_full = len(piece) == most
        return piece


class _Bzip2:
    def __init__(self) -> None:
        self._inflater = bz2.BZ2Decompressor()
        self._input = b""

    @property
    def starved(self) -> bool:
        return not self._input and self._inflater.needs_input

    @property
    def ended(self) -> bool:
        return self._inflater.eof

    @property
    def unused(self) -> bytes:
        return self._inflater.unused_data

    def put(self, octets: bytes) -> None:
        self._input += octets

    def take(self, most: int) -> bytes:
        octets, self._input = self._input, b""
        return self._inflater.decompress(octets, most)


class _Zstd:
    def __init__(self) -> None:
        import zstandard

        self._error = zstandard.ZstdError
        self._inflater = zstandard.ZstdDecompressor(max_window_size=MAX_ZSTD_WINDOW).decompressobj()
        self._input = memoryview(b"")
        self._output = memoryview(b"")

    @property
    def starved(self) -> bool:
        return not (self._input or self._output)

    @property
    def ended(self) -> bool:
        return bool(self._inflater.eof) and not self._output

    @property
    def unused(self) -> bytes:
        return bytes(self._inflater.unused_data) + bytes(self._input)

    def put(self, octets: bytes) -> None:
        self._input = memoryview(bytes(self._input) + octets)

    def take(self, most: int) -> bytes:
        if not self._output and not self._inflater.eof:
            step, self._input = self._input[:_ZSTD_STEP], self._input[_ZSTD_STEP:]
            try:
                self._output = memoryview(self._inflater.decompress(step))
            except self._error as error:
                raise ValueError(str(error)) from error
        piece, self._output = self._output[:most], self._output[most:]
        return bytes(piece)


_MEMBERS: Final[dict[str, Callable[[], _Member]]] = {"gzip": _Gzip, "bzip2": _Bzip2, "zstd": _Zstd}
