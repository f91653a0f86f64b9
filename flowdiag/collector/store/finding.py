"""The files of a store that a question needs: by exporter and day, from the folders alone, nothing opened.

Facts the design follows:
- a flow is in the partition of the day it ended on, and none lasts much longer than a day (an exporter's active
  timeout is minutes; the decoder leaves out times over a day old): flows that touch a span end on its days or the
  day after;
- partitions, and files in them, come in sorted order: the same store always reads the same.
"""

from __future__ import annotations

from collections.abc import Collection
from typing import Any, Final

from msgspec import Struct

from flowdiag.addresses import UNKNOWN_ADDRESS
from flowdiag.collector.span import EVERYTHING, Span
from flowdiag.collector.store.backends import StorageBackend, failures_named
from flowdiag.collector.store.changes import Change, need_store, pending
from flowdiag.collector.store.layout import (
    NO_DAY,
    Partition,
    day_of,
    exporter_folder,
    exporter_of,
    partition_of,
)
from flowdiag.durations import DAY_MS

# Days after a span on which flows that touch it may have ended.
LATER_DAYS: Final = 1


class StoredFile(Struct, frozen=True):
    """A file of flows. path: where it can be read; target: where it stands in the store, or will in a moment."""

    path: str
    target: str
    partition: Partition
    octets: int


def find_files(
    backend: StorageBackend, exporters: Collection[bytes] | None = None, span: Span = EVERYTHING
) -> list[StoredFile]:
    """The files that may hold flows of these exporters (and of unknown ones) in a span, in order of reading: those of
    one state of the store, whatever others change meanwhile.

    Raises StoreError if there is no store.
    """
    with failures_named(backend):
        need_store(backend)
        wanted = None if exporters is None else frozenset({*exporters, UNKNOWN_ADDRESS})
        left, state = pending(backend)
        while True:
            found = _listed(backend, wanted, span)
            _apply(left, found, wanted, span)
            before = state
            left, state = pending(backend)
            if state == before:
                return sorted(found.values(), key=lambda file: (file.partition, file.target))


def open_stored(backend: StorageBackend, file: StoredFile) -> Any:
    """A file that find_files() gave, to read at any position. Raises FileNotFoundError if it was removed since."""
    try:
        return backend.open_input(file.path)
    except FileNotFoundError:  # of a change that has been carried out by now
        return backend.open_input(file.target)


def _listed(backend: StorageBackend, wanted: frozenset[bytes] | None, span: Span) -> dict[str, StoredFile]:
    """wanted: exporters, None for all."""
    found = {}
    # A store of thousands of exporters is not listed for one of them.
    folders = backend.folders("") if wanted is None else map(exporter_folder, sorted(wanted))
    for folder in folders:
        if exporter_of(folder) is None:
            continue
        for day_folder in backend.folders(folder):
            day = day_of(day_folder)
            if day is not None and touches(day, span):
                for entry in backend.files(f"{folder}/{day_folder}"):
                    if (partition := partition_of(entry.path)) is not None:
                        found[entry.path] = StoredFile(entry.path, entry.path, partition, entry.octets)
    return found


def _apply(left: Change, found: dict[str, StoredFile], wanted: frozenset[bytes] | None, span: Span) -> None:
    """Looks at a change that is being carried out as if it had been."""
    for source, target in left.moves.items():
        partition = partition_of(target)
        if partition is None or target in found:
            continue
        if (wanted is None or partition.exporter in wanted) and touches(partition.day, span):
            found[target] = StoredFile(source, target, partition, 0)
    for path in left.removals:
        found.pop(path, None)


def touches(day: int, span: Span) -> bool:
    """Whether the partition of a day may hold flows of a span."""
    begin, end = span
    if day == NO_DAY:
        return True
    if begin is not None and (day + 1) * DAY_MS <= begin:
        return False
    return end is None or (day - LATER_DAYS) * DAY_MS < end
