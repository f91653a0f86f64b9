"""A part of the sites: what one watcher at a time looks after, in one document of the ledger.

Sites behind the same upstream are in the same part, so that one watcher sees them together.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from typing import Final

import msgspec
import zstandard
from msgspec import Struct

from flowdiag.errors import StoreError
from flowdiag.watch.event import Event, SiteMemory
from flowdiag.watch.ledger import FOLDER, LARGEST, Ledger

PARTS: Final = 32
_PREFIX: Final = "part-"
KEPT_DAYS: Final = 31
# A look reaches back a day: of what is told then nothing may be told again.
ABSENT_DAYS: Final = 2
MOST_EVENTS: Final = 4_000
MOST_LETTERS: Final = 10_000


class Letter(Struct, frozen=True):
    """A message on its way to a target. name: the same however often it is sent; events: their names; made_ms; due_ms: when it is
    to be sent, next; tries: that failed; fault: why the last of them did."""

    name: str
    target: str
    events: tuple[str, ...]
    made_ms: int
    due_ms: int
    tries: int = 0
    fault: str | None = None
    group: str = ""


class Part(Struct, frozen=True):
    """owner: the watcher that looks after it; empty: nobody. sites: by the place of their profile; absent: sites that were among
    these, and whose profile is gone, cannot be read for the moment, or put them into another part; events: oldest first, no two
    of one name; letters: that are still to be sent."""

    owner: str = ""
    sites: dict[str, SiteMemory] = {}
    absent: dict[str, SiteMemory] = {}
    events: tuple[Event, ...] = ()
    letters: tuple[Letter, ...] = ()


def part_of(place: str, upstream: str | None) -> str:
    """The name of the part that a site is in."""
    text = f"behind {upstream}" if upstream else f"at {place}"
    return f"{_PREFIX}{int.from_bytes(hashlib.sha256(text.encode()).digest()[:4]) % PARTS:02d}"


def number_of(name: str) -> int:
    """The number of a part, from 0."""
    return int(name.rpartition("-")[2])


def is_part(name: str) -> bool:
    """Whether a document of the ledger is a part."""
    return name.startswith(_PREFIX)


def read_parts(ledger: Ledger) -> Iterator[tuple[str, Part]]:
    """All parts that there are, by name. Raises StoreError."""
    for name in sorted(ledger.versions()):
        document = ledger.read(name) if is_part(name) else None
        if document is not None:
            yield name, decoded(name, document.content)


def encoded(part: Part) -> bytes:
    return zstandard.compress(msgspec.msgpack.encode(part))


def decoded(name: str, content: bytes) -> Part:
    """Raises StoreError for a document that is damaged."""
    try:
        return msgspec.msgpack.decode(zstandard.decompress(content, max_output_size=LARGEST), type=Part)
    except (msgspec.MsgspecError, zstandard.ZstdError) as error:
        raise StoreError(
            f"what the watch knows is damaged ({error})",
            file=f"{FOLDER}/{name}",
            expected="a document that a watch of this version wrote",
            advice=f"remove {FOLDER} from the store: the watch begins anew, and tells again what goes on",
        ) from error
