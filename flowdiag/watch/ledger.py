"""Where the watch keeps what it knows: small documents that are replaced only by who has read their newest version.

That one rule (compare and swap) carries everything above it: what was found, what is to be told and what was told change in one
step or not at all, and of two watchers who want the same document one is refused.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final, NamedTuple, Protocol

FOLDER: Final = "_flowdiag/watch"
LARGEST: Final = 64 << 20  # octets of one document, decompressed


class Document(NamedTuple):
    """version: 1 for the first, one more for each that follows."""

    version: int
    content: bytes


class Change(NamedTuple):
    """The next content of a document in place of that version."""

    name: str
    content: bytes
    version: int


class Ledger(Protocol):
    """Used from any thread."""

    def read(self, name: str) -> Document | None:
        """The newest version of a document; None if there is none. Raises StoreError."""
        ...

    def versions(self) -> dict[str, int]:
        """The newest version of each document: what it costs to find out whether anything changed. Raises StoreError."""
        ...

    def write(self, name: str, content: bytes, version: int) -> bool:
        """Replaces that version (0: there was none) by the next one, on disk for good when this returns; False, and nothing
        happens, where somebody else has replaced it meanwhile. Raises StoreError."""
        ...

    def write_each(self, changes: Sequence[Change]) -> list[bool]:
        """What write() gives for each of several documents; quicker than one after the other."""
        ...

    def remove(self, name: str, version: int) -> None:
        """Removes a document unless it has another version by now. Versions begin at 1 again then, so this is for documents that
        one process alone writes. Raises StoreError."""
        ...

    def close(self) -> None: ...
