"""A bounds-checked reader for everything that is not the columnar fast path."""

from __future__ import annotations

from flowdiag.collector.decode.malformed import Malformed


class Cursor:
    """Reads data[position:end] from front to back. Each step raises Malformed if fewer octets are left."""

    __slots__ = ("data", "end", "position")

    def __init__(self, data: bytes, position: int = 0, end: int | None = None) -> None:
        self.data = data
        self.position = position
        self.end = len(data) if end is None else end

    @property
    def left(self) -> int:
        return self.end - self.position

    def skip(self, octets: int) -> int:
        """Steps over some octets and gives where they start."""
        start = self.position
        if octets > self.end - start:
            raise Malformed("a field or record runs past its set", start)
        self.position = start + octets
        return start

    def octets(self, count: int) -> bytes:
        start = self.skip(count)
        return self.data[start : self.position]

    def unsigned(self, octets: int) -> int:
        """A big-endian integer."""
        return int.from_bytes(self.octets(octets), "big")

    def varying_length(self) -> int:
        """The length prefix of a variable-length value, in either of its forms (RFC 7011 7)."""
        length = self.unsigned(1)
        return self.unsigned(2) if length == 255 else length

    def within(self, octets: int) -> Cursor:
        """A cursor over the next octets, which this one steps over."""
        start = self.skip(octets)
        return Cursor(self.data, start, self.position)
