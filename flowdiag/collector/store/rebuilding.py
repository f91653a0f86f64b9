"""Roll-ups made anew from the flows: where there is none, where one is damaged, or all of them.

Facts the design follows:
- a roll-up is derived, and the same flows give the same octets, whoever makes it and when;
- it is made aside, without the lock, and comes into the store in a change of its own; if its flows were merged or dropped
  meanwhile, it goes;
- a roll-up that stands alone, and whose flows did not go because of their age, stands for nothing and goes too.
"""

from __future__ import annotations

import time
import uuid
from collections.abc import Callable, Collection, Iterator
from pathlib import Path
from typing import Final, Literal

from msgspec import Struct

from flowdiag.collector.readers.inputs import Progress
from flowdiag.collector.store.backends import StorageBackend, failures_named, is_url
from flowdiag.collector.store.beside import Making, add_stored, has_sound
from flowdiag.collector.store.changes import Change, commit, remove_aside, sweep
from flowdiag.collector.store.cluster import open_workers
from flowdiag.collector.store.finding import StoredFile, find_files
from flowdiag.collector.store.folder import ASIDE
from flowdiag.collector.store.kept_rollups import read_note
from flowdiag.collector.store.layout import (
    NO_DAY,
    ROLLUP_SUFFIX,
    ROLLUPS,
    Partition,
    partition_of,
    retained_path,
    rollup_path,
    target_of,
)
from flowdiag.collector.store.looking import Changed, all_there
from flowdiag.collector.store.opening import open_backend
from flowdiag.collector.store.rolling import Roller
from flowdiag.collector.store.workers import Count
from flowdiag.errors import ExportError, StoreError

Which = Literal["damaged", "missing", "all"]
WHICH: Final[tuple[Which, ...]] = ("damaged", "missing", "all")  # each with those before it


class Rebuilt(Struct, frozen=True):
    """A file whose roll-up was made anew. damaged: there was one that could not be used; made: there is one now, as there is
    none of few flows; fault: why there is none that ought to be, in words."""

    partition: Partition
    target: str
    damaged: bool
    made: bool
    fault: str = ""


class Task(Struct, frozen=True):
    """where: the store."""

    where: str
    file: StoredFile
    roller: Roller
    which: Which


class Made(Struct, frozen=True):
    """A roll-up made from flows. aside: where it was written, None if there is to be none; damaged: as in Rebuilt."""

    aside: str | None
    fault: str = ""
    damaged: bool = False


def rebuild(
    where: str | Path,
    roller: Roller,
    *,
    which: Which = "missing",
    jobs: int = 1,
    progress: Progress | None = None,
    cluster: str | None = None,
) -> list[Rebuilt]:
    """Makes roll-ups of a store anew from their flows: those that are damaged, those that are missing too, or all.

    jobs, cluster: as in ingest(). Gives those that were made or ought to have been, in order of their files. Raises StoreError,
    ClusterError.
    """
    if cluster is not None and not is_url(str(where)):
        where = Path(where).absolute()
    backend = open_backend(where)
    sweep(backend, time.time())
    files = [file for file in find_files(backend) if file.partition.day != NO_DAY]
    tasks = [Task(str(where), file, roller, which) for file in files]
    done = {}
    with (
        failures_named(backend),
        open_workers(jobs, sum(file.octets for file in files), progress, cluster) as workers,
    ):
        for number, made in workers.each(_rebuild, tasks):
            if made is not None and _put(backend, files[number], made):
                done[number] = _told(files[number], made)
        _remove_orphans(backend)
    return [done[number] for number in sorted(done)]


class Mended(Struct, frozen=True):
    """What was made anew, and the last file that was looked at, empty if there is none behind it."""

    rebuilt: list[Rebuilt]
    reached: str = ""


def mend(
    backend: StorageBackend, roller: Roller, *, after: str = "", enough: Callable[[], bool] = lambda: False
) -> Mended:
    """Makes damaged roll-ups anew. after: only of files behind this one; enough: asked after each whether to stop. Raises
    StoreError."""
    done: list[Rebuilt] = []
    with failures_named(backend):
        there = {target_of(entry.path) for entry in backend.files(ROLLUPS)}
        files = [file for file in find_files(backend) if file.target in there]
        for file in sorted(files, key=lambda file: file.target):
            if file.target > after:
                made = _made(backend, file, roller, "damaged")
                if made is not None and _put(backend, file, made):
                    done.append(_told(file, made))
                if enough():
                    return Mended(done, file.target)
        _remove_orphans(backend)
    return Mended(done)


def _told(file: StoredFile, made: Made) -> Rebuilt:
    return Rebuilt(file.partition, file.target, made.damaged, made.aside is not None, made.fault)


def _rebuild(task: Task, count: Count) -> Made | None:
    backend = open_backend(task.where)
    with failures_named(backend):
        made = _made(backend, task.file, task.roller, task.which)
    count(task.file.octets)
    return made


def _made(backend: StorageBackend, file: StoredFile, roller: Roller, which: Which) -> Made | None:
    """None if nothing is to be done about a file."""
    damaged = False
    try:
        damaged = not has_sound(backend, roller, file)
        if not damaged and which != "all":
            return None
    except FileNotFoundError:
        if which == "damaged":
            return None
    try:
        made = make_rollup(backend, file, roller)
    except Changed:
        return None
    return Made(made.aside, made.fault, damaged) if damaged or made.aside or made.fault else None


def make_rollup(
    backend: StorageBackend, file: StoredFile, roller: Roller, *, even_small: bool = False
) -> Made:
    """Makes the roll-up of a file aside, from its flows. even_small: also of few flows. Raises Changed, OSError."""
    making = Making(roller, file.partition)
    try:
        report = add_stored(backend, file, making)
    except (ExportError, StoreError) as error:
        return Made(None, f"its flows cannot be read: {error.what}")
    except UnicodeDecodeError as error:
        return Made(None, f"its flows cannot be read: {error}")
    octets = making.finish(report, even_small=even_small)
    aside = f"{ASIDE}/{backend.owner}{uuid.uuid4().hex}/0000{ROLLUP_SUFFIX}"
    if octets is None or not making.write(backend, octets, aside, file.target):
        return Made(None, making.fault)
    backend.seal([aside])
    return Made(aside)


def _put(backend: StorageBackend, file: StoredFile, made: Made) -> bool:
    """Puts a roll-up into its place, or takes away what stands there and cannot be used; False if its flows are gone."""
    place = rollup_path(file.target)
    change = Change(outdated=(place,)) if made.aside is None else Change({made.aside: place})
    if commit(backend, change, lambda: all_there(backend, [file])):
        return True
    if made.aside is not None:
        remove_aside(backend, [made.aside])
    return False


def _remove_orphans(backend: StorageBackend) -> None:
    orphans = tuple(orphaned(backend, {file.target for file in find_files(backend)}))
    if orphans:
        commit(
            backend,
            Change(outdated=orphans),
            lambda: {*orphans} <= {*orphaned(backend, {file.target for file in find_files(backend)})},
        )


def orphaned(backend: StorageBackend, targets: Collection[str]) -> Iterator[str]:
    """The roll-ups that stand alone and do not count. targets: of the files of the store."""
    retained: dict[Partition, Collection[str]] = {}
    for entry in backend.files(ROLLUPS):
        target = target_of(entry.path)
        partition = partition_of(target)
        if target in targets or partition is None:
            continue
        if partition not in retained:
            retained[partition] = read_note(backend.read(retained_path(partition))).rollups
        if target not in retained[partition]:
            yield entry.path
