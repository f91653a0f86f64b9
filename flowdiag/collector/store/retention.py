"""Old days go from a store; their roll-ups may stay until their own age.

Facts the design follows:
- retention is by whole days, counted back from the newest day of the store, so that a collector that was off for a
  month does not cost a month of evidence; never from a day after today, since an exporter may make up times;
- flows that go leave a roll-up, however few they are, if roll-ups are to stay: made of them now where there is none. A note
  of the same change says which; what went without is counted in it;
- an export whose roll-ups are kept is known as long as they are: added again, it would count twice;
- days are looked for, and roll-ups made, without the lock. Under the lock they are looked for again: if others changed
  them, all of it is done anew.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from itertools import groupby
from typing import Final

from msgspec import Struct, field

from flowdiag.collector.store.backends import Entry, StorageBackend, failures_named
from flowdiag.collector.store.beside import NotItsRollUp, has_sound, identity_of, open_rollup
from flowdiag.collector.store.changes import Change, commit, remove_aside
from flowdiag.collector.store.finding import StoredFile, find_files, open_stored
from flowdiag.collector.store.kept_rollups import Note, read_note
from flowdiag.collector.store.layout import (
    INGESTED,
    NO_DAY,
    RETAINED,
    ROLLUPS,
    Partition,
    began_of,
    partition_of,
    retained_partition,
    retained_path,
    rollup_path,
    target_of,
)
from flowdiag.collector.store.looking import Changed, all_there, rows_of
from flowdiag.collector.store.rebuilding import make_rollup
from flowdiag.collector.store.rolling import Roller
from flowdiag.durations import DAY_MS
from flowdiag.errors import StoreError

# How long to wait until nobody reads; a large diagnosis takes a minute.
READERS_PATIENCE_S: Final = 120.0
# How often old days are looked for again when others change them meanwhile; each time that takes milliseconds.
ATTEMPTS: Final = 5


class Dropped(Struct, frozen=True):
    """A partition that was removed. octets: of its flows; kept: roll-ups that stay in their place; rollups: how many went that
    stood without flows, and their octets."""

    partition: Partition
    files: int = 0
    rows: int = 0
    octets: int = 0
    kept: int = 0
    rollups: int = 0
    rollup_octets: int = 0


class _Days(Struct, frozen=True):
    """From which day on there is to be anything, days since 1970: flows, and roll-ups without them."""

    flows: int
    rollups: int


class _Going(Struct):
    """What goes, and what is left of it. notes: of partitions, as they will be; before: those that were read, None without;
    removals: of roll-ups and notes; alone: of those roll-ups, where the flows of these would stand; made: roll-ups that were
    written aside."""

    files: list[StoredFile]
    dropped: list[Dropped] = field(default_factory=list)
    notes: dict[Partition, Note] = field(default_factory=dict)
    before: dict[Partition, bytes | None] = field(default_factory=dict)
    removals: list[str] = field(default_factory=list)
    alone: dict[Partition, set[str]] = field(default_factory=dict)
    made: dict[str, str] = field(default_factory=dict)

    def change(self) -> Change:
        return Change(
            self.made,
            (*(file.target for file in self.files), *self.removals),
            {retained_path(partition): note.as_json() for partition, note in self.notes.items()},
        )


def retain(
    backend: StorageBackend,
    days: int,
    today: int,
    *,
    rollup_days: int | None = None,
    roller: Roller | None = None,
    patience_s: float = READERS_PATIENCE_S,
) -> list[Dropped]:
    """Drops the days before the newest `days` of the store, and the roll-ups of those before the newest `rollup_days`, which
    are no fewer; None: they go with their flows. today: days since 1970; patience_s: how long to wait until nobody reads. Raises
    StoreError.

    Flows without a usable day go when their export began before that, and leave no roll-up.
    """
    kept_days = max(days, rollup_days or days)
    for _ in range(ATTEMPTS):
        going = _Going([])
        with failures_named(backend):
            try:
                _look(backend, going, _newest_day(backend, today), days, kept_days, roller)
                change = going.change()
                if change == Change() or _done(backend, going, change, patience_s):
                    return going.dropped
            except Changed:
                continue
            finally:
                if going.made:  # what is done has left nothing of them
                    remove_aside(backend, going.made)
        break
    raise StoreError(
        "the store was being read or changed all the time, so nothing was dropped",
        file=backend.name,
        advice="run this again",
    )


def _look(
    backend: StorageBackend,
    going: _Going,
    newest: int,
    days: int,
    kept_days: int,
    roller: Roller | None,
) -> None:
    """Looks for what goes. Raises Changed."""
    if newest == NO_DAY:
        return
    flows_from = newest - days + 1
    kept_from = _Days(flows_from, newest - kept_days + 1)
    going.files += [file for file in find_files(backend) if _day(file) < flows_from]
    for partition, group in groupby(going.files, key=lambda file: file.partition):
        own = list(group)
        if partition.day != NO_DAY and partition.day >= kept_from.rollups:
            _keep(backend, going, partition, own, roller)
        going.dropped.append(
            Dropped(
                partition,
                len(own),
                sum(rows_of(backend, file) for file in own),
                sum(file.octets for file in own),
                sum(file.target in going.notes.get(partition, Note()).rollups for file in own),
            )
        )
    _look_for_rollups(backend, going, kept_from)
    going.removals += _old_notes(backend, kept_from.rollups)


def _keep(
    backend: StorageBackend,
    going: _Going,
    partition: Partition,
    own: list[StoredFile],
    roller: Roller | None,
) -> None:
    """Has the roll-ups of flows that go, and notes them. Raises Changed."""
    noted = _noted(backend, going, partition)
    rollups, without = dict(noted.rollups), noted.without
    for file in own:
        try:
            with open_stored(backend, file) as flows:
                identity = identity_of(flows)
        except FileNotFoundError as error:
            raise Changed from error
        if not _is_usable(backend, file, roller):
            made = None if roller is None else make_rollup(backend, file, roller, even_small=True).aside
            if made is None:
                without += rows_of(backend, file)
                continue
            going.made[made] = rollup_path(file.target)
        rollups[file.target] = identity
    going.notes[partition] = Note(rollups, without)


def _noted(backend: StorageBackend, going: _Going, partition: Partition) -> Note:
    """What the note of a partition says, which has to be so still when the change is made."""
    if partition not in going.before:
        going.before[partition] = backend.read(retained_path(partition))
    return read_note(going.before[partition])


def _is_usable(backend: StorageBackend, file: StoredFile, roller: Roller | None) -> bool:
    try:
        if roller is not None:
            return has_sound(backend, roller, file)
        with open_rollup(backend, file):
            return True
    except (FileNotFoundError, NotItsRollUp):
        return False


def _look_for_rollups(backend: StorageBackend, going: _Going, kept_from: _Days) -> None:
    """Roll-ups that go: with their flows, at their own age, and those of old days that stand for nothing."""
    with_flows = {rollup_path(file.target) for file in going.files}
    alone: dict[Partition, list[Entry]] = {}
    for entry in backend.files(ROLLUPS):
        target = target_of(entry.path)
        partition = partition_of(target)
        if partition is None or _day_of(partition, target) >= kept_from.flows:
            continue
        stays = _day_of(partition, target) >= kept_from.rollups
        if stays and target in (going.notes.get(partition) or _noted(backend, going, partition)).rollups:
            continue
        going.removals.append(entry.path)
        if entry.path not in with_flows:
            alone.setdefault(partition, []).append(entry)
            going.alone.setdefault(partition, set()).add(target)
    for partition, entries in alone.items():
        octets = sum(entry.octets for entry in entries)
        going.dropped.append(Dropped(partition, rollups=len(entries), rollup_octets=octets))
    going.dropped.sort(key=lambda dropped: dropped.partition)
    for entry in backend.files(RETAINED):
        about = retained_partition(entry.path)
        if about is not None and about.day < kept_from.rollups:
            going.removals.append(entry.path)


def _done(backend: StorageBackend, going: _Going, change: Change, patience_s: float) -> bool:
    """False if the store is being read all the time. Raises Changed."""

    def unchanged() -> bool:
        if not all_there(backend, going.files):
            raise Changed
        if any(backend.read(retained_path(p)) != octets for p, octets in going.before.items()):
            raise Changed
        for partition, targets in going.alone.items():
            if not targets.isdisjoint(entry.path for entry in backend.files(partition.folder)):
                raise Changed
        return True

    return commit(backend, change, unchanged, patience_s=patience_s)


def _newest_day(backend: StorageBackend, today: int) -> int:
    """The newest day with flows that is not after today, NO_DAY if there is none."""
    newest_first = sorted(find_files(backend), key=lambda file: -file.partition.day)
    newest = next((file.partition.day for file in newest_first if rows_of(backend, file)), NO_DAY)
    return min(newest, today)


def _day(file: StoredFile) -> int:
    return _day_of(file.partition, file.target)


def _day_of(partition: Partition, target: str) -> int:
    return began_of(target) // DAY_MS if partition.day == NO_DAY else partition.day


def _old_notes(backend: StorageBackend, first_kept: int) -> Iterator[str]:
    """The notes about exports that have nothing on later days."""
    for entry in backend.files(INGESTED):
        try:
            last_day = json.loads(backend.read(entry.path) or b"")["last_day"]
        except (ValueError, KeyError, TypeError):
            continue
        if isinstance(last_day, int) and last_day < first_kept:
            yield entry.path
