"""Roll-ups whose flows have gone because of their age, and the notes that say so.

Facts the design follows:
- a roll-up without flows may be of flows that somebody removed because they were wrong, or moved elsewhere: it counts only
  where the note of its partition, written in the change that dropped the flows, names it with what they were known by;
- where flows stand, their roll-up is theirs: whoever restores a file by hand does not have it counted twice.
"""

from __future__ import annotations

import json
from collections.abc import Collection, Iterable, Iterator
from contextlib import contextmanager
from typing import Any

from msgspec import Struct, field

from flowdiag.addresses import UNKNOWN_ADDRESS
from flowdiag.collector.span import EVERYTHING, Span
from flowdiag.collector.store.backends import StorageBackend, failures_named
from flowdiag.collector.store.beside import IDENTITY_OCTETS, need_identity
from flowdiag.collector.store.changes import Change, need_store, note_json, pending
from flowdiag.collector.store.finding import StoredFile, find_files, touches
from flowdiag.collector.store.layout import (
    RETAINED,
    Partition,
    exporter_folder,
    retained_partition,
    rollup_path,
)


class KeptRollUp(Struct, frozen=True):
    """A roll-up that stands for flows which are gone. path: where it can be read; target: where they stood; identity: what they
    were known by."""

    path: str
    target: str
    partition: Partition
    identity: bytes


class KeptDay(Struct, frozen=True):
    """A partition flows of which went because of their age. without: records that went with no roll-up in their place."""

    partition: Partition
    rollups: tuple[KeptRollUp, ...]
    without: int = 0


class Note(Struct, frozen=True):
    """What the note of a partition says. rollups: by the paths of their flows, what these were known by."""

    rollups: dict[str, bytes] = field(default_factory=dict)
    without: int = 0

    def as_json(self) -> str:
        identities = {target: identity.hex() for target, identity in self.rollups.items()}
        return note_json(rollups=identities, without=self.without)


def read_note(octets: bytes | str | None) -> Note:
    """An empty one for what cannot be read: its roll-ups count for nothing."""
    try:
        content = json.loads(octets or b"")
        rollups = {str(path): bytes.fromhex(identity) for path, identity in content["rollups"].items()}
        return Note(
            {path: identity for path, identity in rollups.items() if len(identity) == IDENTITY_OCTETS},
            int(content["without"]),
        )
    except (ValueError, TypeError, KeyError, AttributeError):
        return Note()


def find_kept_rollups(
    backend: StorageBackend,
    exporters: Collection[bytes] | None = None,
    span: Span = EVERYTHING,
    files: Iterable[StoredFile] | None = None,
) -> list[KeptDay]:
    """The partitions that may have had flows of these exporters (and of unknown ones) in a span, and have them as roll-ups
    alone now, in order.

    files: what find_files() gave for the same before, under the same backend.reading(): of a store that changes meanwhile,
    nothing is given that these hold. Raises StoreError if there is no store.
    """
    with failures_named(backend):
        need_store(backend)
        known = None if files is None else {file.target for file in files}
        left, state = pending(backend)
        while True:
            notes = _notes(backend, left, exporters, span)
            standing = {file.target for file in find_files(backend, exporters, span)} if notes else set()
            applied, before = left, state
            left, state = pending(backend)
            if state == before:
                return _days(notes, applied, standing | (known or set()))


def _notes(
    backend: StorageBackend, left: Change, exporters: Collection[bytes] | None, span: Span
) -> dict[Partition, Note]:
    folders = [RETAINED]
    if exporters is not None:
        wanted = sorted({*exporters, UNKNOWN_ADDRESS})
        folders = [f"{RETAINED}/{exporter_folder(exporter)}" for exporter in wanted]
    paths = {entry.path for folder in folders for entry in backend.files(folder)} - {*left.removals}
    coming = {path for path in left.notes if any(path.startswith(f"{folder}/") for folder in folders)}
    notes = {}
    for path in sorted(paths | coming):
        partition = retained_partition(path)
        if partition is not None and touches(partition.day, span):
            notes[partition] = read_note(left.notes[path] if path in coming else backend.read(path))
    return dict(sorted(notes.items()))


def _days(notes: dict[Partition, Note], left: Change, standing: Collection[str]) -> list[KeptDay]:
    sources = {target: source for source, target in left.moves.items()}
    days = []
    for partition, note in notes.items():
        rollups = []
        for target, identity in sorted(note.rollups.items()):
            if target not in standing:
                path = rollup_path(target)
                rollups.append(KeptRollUp(sources.get(path, path), target, partition, identity))
        days.append(KeptDay(partition, tuple(rollups), note.without))
    return days


@contextmanager
def open_kept(backend: StorageBackend, kept: KeptRollUp) -> Iterator[Any]:
    """A roll-up that find_kept_rollups() gave, to be read from its front. Raises FileNotFoundError, NotItsRollUp, OSError."""
    try:
        opened = backend.open_input(kept.path)
    except FileNotFoundError:  # of a change that has been carried out by now
        opened = backend.open_input(rollup_path(kept.target))
    with opened as rollup:
        need_identity(rollup, kept.identity)
        yield rollup
