"""IP fragments put together again (RFC 791 3.2, RFC 8200 4.5), bounded in datagrams, octets and age.

Overlapping fragments that disagree are an attack or damage (RFC 5722): the whole datagram is dropped. Exact
copies are a network's duplicates and are ignored.
"""

from __future__ import annotations

from bisect import bisect_right, insort
from typing import Final

from msgspec import Struct, field

MAX_DATAGRAMS: Final = 256  # incomplete at one time; an exporter has a handful under way
MAX_HELD_OCTETS: Final = 16 << 20  # 256 datagrams of the greatest size
MAX_PIECES: Final = 1_024  # of one datagram: 64 KiB in pieces of 64 octets
MAX_AGE_MS: Final = 60_000  # RFC 8200 4.5: given up 60 s after the first fragment
MAX_DATAGRAM_OCTETS: Final = 65_535


class _Datagram(Struct):
    since_ms: int | None
    pieces: dict[int, bytes] = field(default_factory=dict)
    starts: list[int] = field(default_factory=list)  # of the pieces, ascending
    octets: int = 0
    total: int | None = None


class Fragments:
    """Incomplete datagrams by key (addresses, identification, protocol).

    given_up counts those that were dropped.
    """

    def __init__(self) -> None:
        self._waiting: dict[bytes, _Datagram] = {}
        self.held_octets = 0
        self.given_up = 0

    def add(self, key: bytes, offset: int, more: bool, piece: bytes, time_ms: int | None) -> bytes | None:
        """Take one fragment, offset in octets.

        Gives the datagram's whole payload with its last missing piece.
        """
        datagram = self._waiting.get(key)
        if datagram is not None and _is_old(datagram, time_ms):
            self._drop(key)
            datagram = None
        if datagram is None:
            self._make_room(len(piece))
            datagram = self._waiting[key] = _Datagram(time_ms)
        end = offset + len(piece)
        if not more:
            if datagram.total not in (None, end):
                self._drop(key)
                return None
            datagram.total = end
        if datagram.pieces.get(offset) == piece:
            return None
        if (
            end > MAX_DATAGRAM_OCTETS
            or len(datagram.pieces) >= MAX_PIECES
            or (more and len(piece) % 8)
            or _overlaps(datagram, offset, end)
        ):
            self._drop(key)
            return None
        if offset not in datagram.pieces:
            insort(datagram.starts, offset)
        datagram.pieces[offset] = piece
        datagram.octets += len(piece)
        self.held_octets += len(piece)
        if datagram.total is None or datagram.octets < datagram.total:
            return None
        self._remove(key)
        return b"".join(datagram.pieces[at] for at in datagram.starts)

    def finish(self) -> int:
        """How many datagrams never became whole; forgets them."""
        count = self.given_up + len(self._waiting)
        self._waiting.clear()
        self.held_octets = 0
        self.given_up = 0
        return count

    def _make_room(self, octets: int) -> None:
        while self._waiting and (
            len(self._waiting) >= MAX_DATAGRAMS or self.held_octets + octets > MAX_HELD_OCTETS
        ):
            self._drop(next(iter(self._waiting)))

    def _drop(self, key: bytes) -> None:
        self._remove(key)
        self.given_up += 1

    def _remove(self, key: bytes) -> None:
        self.held_octets -= self._waiting.pop(key).octets


def _is_old(datagram: _Datagram, time_ms: int | None) -> bool:
    if datagram.since_ms is None or time_ms is None:
        return False
    return abs(time_ms - datagram.since_ms) > MAX_AGE_MS


def _overlaps(datagram: _Datagram, start: int, end: int) -> bool:
    beyond = datagram.total is not None and end > datagram.total
    # Of pieces that do not overlap each other only the neighbours can reach into another.
    index = bisect_right(datagram.starts, start)
    before, behind = datagram.starts[max(index - 1, 0) : index], datagram.starts[index : index + 1]
    return (
        beyond
        or any(start < at + len(datagram.pieces[at]) for at in before)
        or any(at < end for at in behind)
    )
