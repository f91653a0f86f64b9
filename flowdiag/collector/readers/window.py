"""A sliding window over a stream of octets: what every container reader reads from.

Facts the design follows:
- Containers are read front to back, once; standard input and decompressors cannot seek.
- A reader needs one record of its container whole (a packet, a message), never the file, so memory stays
  at about one chunk whatever the length of the file.
"""

from __future__ import annotations

from typing import Final, Protocol

from flowdiag.errors import ExportError

# Large enough that the per-chunk work vanishes beside the per-message work, small enough to be cheap in
# memory.
CHUNK_OCTETS: Final = 1 << 18


class Octets(Protocol):
    """Anything that gives octets in order: a file, standard input, a decompressor."""

    def read(self, size: int, /) -> bytes:
        """At most size octets; empty only at the end."""
        ...


class Window:
    """Octets `base` to `base + len(data)` of a stream; `ended` once nothing follows them."""

    def __init__(self, octets: Octets, name: str = "") -> None:
        self._octets = octets
        self._name = name
        self.data = b""
        self.base = 0
        self.ended = False

    def slide(self, position: int) -> bool:
        """Drop the octets before position (an index into data) and append a chunk; False if the stream has
        ended.

        Raises ExportError if the stream cannot be read (a disk error, a closed pipe).
        """
        chunk = b"" if self.ended else self._read(CHUNK_OCTETS)
        if not chunk:
            self.ended = True
        self.data = self.data[position:] + chunk
        self.base += position
        return not self.ended

    def give_up(self) -> None:
        """Nothing more is read: the window stands at the end."""
        self.base += len(self.data)
        self.data, self.ended = b"", True

    def fill(self, octets: int) -> None:
        """Append chunks until data holds that many octets or the stream has ended."""
        while len(self.data) < octets and self.slide(0):
            pass

    def read(self, size: int, /) -> bytes:
        """The next octets as a plain stream: what the window holds first. Makes a window usable as Octets."""
        if not self.data:
            chunk = b"" if self.ended else self._read(size)
            self.base += len(chunk)
            return chunk
        taken, self.data = self.data[:size], self.data[size:]
        self.base += len(taken)
        return taken

    def _read(self, size: int) -> bytes:
        try:
            return self._octets.read(size)
        except OSError as error:
            raise ExportError(
                f"reading failed ({error.strerror or error})",
                file=self._name or None,
                offset=self.base + len(self.data),
                advice="copy the file again and retry",
            ) from error
