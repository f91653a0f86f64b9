"""gzip, bzip2 and zstd as streams of octets: bounded in memory and in output, sound up to where damage
starts.

Facts the design follows:
- recognised by their first octets (RFC 5655 10.1; RFC 1952, RFC 8878), never by the file's name;
- a stream may hold several members one after another (RFC 1952 2.2; parallel compressors write such files);
- decompressing can multiply the size a thousandfold and more, so output is taken in small pieces and stops at
  a bound; what came before it is used and the rest is noted.
"""

from __future__ import annotations

import bz2
import zlib
from collections.abc import Callable
from typing import Final, Protocol

from flowdiag.collector.readers.source import Source
from flowdiag.collector.readers.window import CHUNK_OCTETS, Octets

# Flow exports compress three- to twentyfold, an invented one with equal records a few hundredfold.
MAX_RATIO: Final = 500
# Below this no ratio is asked for: small files of equal records may exceed any.
FREE_OCTETS: Final = 256 << 20
# No single export comes near; it bounds the time that one file can take.
MAX_OCTETS: Final = 256 << 30
# The greatest window of a zstd frame that is accepted: its decoder holds that much memory (RFC 8878
# 3.1.1.1.2).
MAX_ZSTD_WINDOW: Final = 128 << 20

# How often compression may be nested: a compressed file that was compressed once more.
MAX_LAYERS: Final = 2

GZIP: Final = b"\x1f\x8b\x08"
BZIP2: Final = b"BZh"
_BZIP2_BLOCKS: Final = (b"\x31\x41\x59\x26\x53\x59", b"\x17\x72\x45\x38\x50\x90")
ZSTD: Final = b"\x28\xb5\x2f\xfd"
_ZSTD_SKIPPABLE: Final = b"\x2a\x4d\x18"

TRUNCATED: Final = "the {kind} data ends early; what came before was used"
DAMAGED: Final = "the {kind} data is damaged; what came before was used"
TRAILING: Final = "octets after the {kind} data were left out"
BOMB: Final = "the {kind} data grows beyond the greatest size or ratio allowed; what came before was used"


# zstd gives out whole blocks of up to 128 KiB for as few as 4 octets (RFC 8878 3.1.1.2): 2 KiB in, 64 MiB out
# at most.
_ZSTD_STEP: Final = 2_048

# What a damaged stream makes the libraries raise (zstandard's error is a plain Exception, caught in its
# adapter).
_DAMAGE: Final = (zlib.error, OSError, ValueError, EOFError)


def compression_of(head: bytes) -> str | None:
    """The name of the compression that octets start with, or None."""
    if head.startswith(GZIP):
        return "gzip"
    if head.startswith(BZIP2) and head[3:4] in b"123456789" and head[4:10] in _BZIP2_BLOCKS:
        return "bzip2"
    if head.startswith(ZSTD) or (head[1:4] == _ZSTD_SKIPPABLE and head[0] & 0xF0 == 0x50):
        return "zstd"
    return None


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
    """The octets inside a gzip, bzip2 or zstd stream. Damage, a cut-off end and bombs become problems."""

    def __init__(self, kind: str, octets: Octets, source: Source) -> None:
        self._kind = kind
        self._octets = octets
        self._source = source
        self._member: _Member = _MEMBERS[kind]()
        self._taken = 0
        self._given = 0
        self._done = False

    def read(self, size: int, /) -> bytes:
        while not self._done:
            if self._member.ended and not self._next_member():
                break
            try:
                if self._member.starved and not self._feed():
                    self._stop(TRUNCATED)
                    break
                piece = self._member.take(min(size, CHUNK_OCTETS))
            except _DAMAGE:
                self._stop(DAMAGED)
                break
            self._given += len(piece)
            if self._given > min(MAX_OCTETS, max(FREE_OCTETS, MAX_RATIO * self._taken)):
                self._stop(BOMB)
            if piece:
                return piece
        return b""

    def _feed(self) -> bool:
        octets = self._octets.read(CHUNK_OCTETS)
        self._taken += len(octets)
        self._member.put(octets)
        return bool(octets)

    def _next_member(self) -> bool:
        """Go on with the member that follows, if one does. Zero octets after the last one are padding."""
        rest = self._member.unused
        while len(rest) < _LONGEST_MAGIC:
            more = self._octets.read(CHUNK_OCTETS)
            self._taken += len(more)
            if not more:
                break
            rest += more
        self._done = True
        if compression_of(rest) == self._kind:
            self._done = False
            self._member = _MEMBERS[self._kind]()
            self._member.put(rest)
        elif rest.strip(b"\0"):
            self._stop(TRAILING)
        return not self._done

    def _stop(self, what: str) -> None:
        self._done = True
        self._source.problem(self._given, what.format(kind=self._kind))


_LONGEST_MAGIC: Final = 10


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
