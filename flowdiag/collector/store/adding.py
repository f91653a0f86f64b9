"""Adding flow records to a store: an export, or a stretch of a live one, as a whole or not at all, and only once.

Facts the design follows:
- what is in the store is known by the content it was decoded from: a note named by its SHA-256 appears in the same
  change as the flows. Whoever adds the same content again, before or after a crash or at the same moment, adds nothing;
- a segment of a collector's spool is a capture like any other: ingesting it by hand later adds nothing either.
"""

from __future__ import annotations

from collections.abc import Sequence
from hashlib import sha256

from msgspec import Struct

from flowdiag.collector.store.backends import StorageBackend
from flowdiag.collector.store.changes import commit, note_json, remove_aside
from flowdiag.collector.store.layout import INGESTED, NO_DAY
from flowdiag.collector.store.writer import Written, asides_of, change_of


class Content(Struct, frozen=True):
    """What flow records were decoded from. digest: SHA-256 of its octets, uncompressed, hexadecimal; name: what it
    was called; octets: its size as found."""

    digest: str
    name: str
    octets: int


def note_path(digest: str) -> str:
    """The note that says that this content is in the store."""
    return f"{INGESTED}/{digest[:2]}/{digest}.json"


def is_added(backend: StorageBackend, digest: str) -> bool:
    """Whether content is in the store already. Raises StoreError."""
    return backend.read(note_path(digest)) is not None


def unit_name(contents: Sequence[Content]) -> str:
    """Names contents that were decoded together."""
    digests = [content.digest for content in contents]
    return digests[0] if len(digests) == 1 else sha256("".join(digests).encode()).hexdigest()


def add_written(backend: StorageBackend, contents: Sequence[Content], files: Sequence[Written]) -> bool:
    """Makes files that were written aside, and their roll-ups, part of the store; False, and they are gone, if somebody else
    has added any of their contents meanwhile. Raises StoreError; then the files are there, aside, still."""
    last_day = max((file.partition.day for file in files), default=NO_DAY)
    unit, rows = unit_name(contents), sum(file.rows for file in files)
    notes = {
        note_path(content.digest): note_json(
            name=content.name, octets=content.octets, unit=unit, records=rows, last_day=last_day
        )
        for content in contents
    }
    change = change_of(files, notes=notes)
    if commit(backend, change, lambda: not any(is_added(backend, content.digest) for content in contents)):
        return True
    remove_aside(backend, asides_of(files))
    return False
