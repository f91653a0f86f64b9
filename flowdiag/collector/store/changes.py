"""Changes of a store: each happens as a whole or not at all, whatever is interrupted.

Facts the design follows:
- files are written aside first. A change then stands in one journal file: what moves where, what goes, what notes
  are written. The journal's appearance is the moment the change happens; everything after it only carries it out,
  and may be done again from the start after a crash;
- when a change is done the journal says so, with the change's number: a reader that finds the same journal before
  and after it looked at the folders has seen one state of the store. While a change is being carried out, readers
  look at the store as it will be (pending());
- the lock is held for the change alone, never while files are decoded or merged, or readers waited for, so writers
  hardly wait. What a change rests on is checked again under the lock.
"""

from __future__ import annotations

import json
import time
import uuid
from collections.abc import Callable, Iterable
from itertools import groupby
from typing import Any, Final

from msgspec import Struct, field

from flowdiag.collector.store.backends import StorageBackend, failures_named
from flowdiag.collector.store.folder import ASIDE
from flowdiag.collector.store.layout import JOURNAL, MARKER
from flowdiag.errors import StoreError

FORMAT: Final = 1
# A writer none of whose files was written within this time, by the clock of now, is dead. Clocks may be set back: files
# that seem to be of so much later are not of a writer either.
ASIDE_FORGOTTEN_S: Final = 2 * 86_400.0
# How often it is looked whether anybody reads what is to be removed.
_READERS_POLL_S: Final = 0.1


class Change(Struct, frozen=True):
    """moves: where a file was written aside, and its path in the store; removals: paths; notes: small files; outdated:
    roll-ups that cannot be used any more, if they are there. Nobody waits for readers to remove these, who read the flows."""

    moves: dict[str, str] = field(default_factory=dict)
    removals: tuple[str, ...] = ()
    notes: dict[str, str] = field(default_factory=dict)
    outdated: tuple[str, ...] = ()

    def as_json(self) -> bytes:
        content = {
            "change": uuid.uuid4().hex,
            "moves": self.moves,
            "removals": list(self.removals),
            "notes": self.notes,
            "outdated": list(self.outdated),
        }
        return json.dumps(content, separators=(",", ":")).encode()


def _from_json(octets: bytes, backend: StorageBackend) -> Change:
    try:
        content = json.loads(octets)
        outdated = tuple(content.get("outdated", ()))  # a journal of before there were any
        return Change(dict(content["moves"]), tuple(content["removals"]), dict(content["notes"]), outdated)
    except (ValueError, TypeError, KeyError) as error:
        raise StoreError(
            "the journal of the store is damaged",
            file=f"{backend.name}/{JOURNAL}",
            expected="the JSON that flowdiag writes",
            advice="restore it or remove it; what was just being added has to be added again",
        ) from error


def is_store(backend: StorageBackend) -> bool:
    """Whether a backend holds a store. Raises StoreError for one of another version."""
    octets = backend.read(MARKER)
    if octets is None:
        return False
    try:
        version = json.loads(octets)["format"]
    except (ValueError, TypeError, KeyError):
        version = None
    if version != FORMAT:
        raise StoreError(
            "a store of another version of flowdiag", file=backend.name, expected=f"format {FORMAT}"
        )
    return True


def make_store(backend: StorageBackend) -> None:
    """Makes a store unless there is one. Raises StoreError, also for a folder of other things."""
    with failures_named(backend):
        if is_store(backend):
            return
        if others := [name for name in backend.names("") if not name.startswith((".", "_"))]:
            raise StoreError(
                f"the folder holds other things ({others[0][:40]!r})",
                file=backend.name,
                expected="a flow store, an empty folder or a new one",
                advice="choose another folder for the store",
            )
        backend.make()
        with backend.writing():
            with backend.removing():  # also makes the file that readers lock
                pass
            if not is_store(backend):
                backend.write(MARKER, json.dumps({"format": FORMAT}).encode())


def need_store(backend: StorageBackend) -> None:
    """Raises StoreError if there is no store."""
    with failures_named(backend):
        if not is_store(backend):
            raise StoreError(
                "there is no flow store",
                file=backend.name,
                advice="check the path, and that its disk is mounted",
            )


def pending(backend: StorageBackend) -> tuple[Change, bytes | None]:
    """The change that is being carried out, or was when its writer died, an empty one if there is none; and what names
    this state of the store, to be compared with a later one."""
    octets = backend.read(JOURNAL)
    return Change() if octets is None else _from_json(octets, backend), octets


def commit(
    backend: StorageBackend,
    change: Change,
    holds: Callable[[], bool] = lambda: True,
    *,
    patience_s: float = 0.0,
) -> bool:
    """Makes a change happen. holds: asked under the lock whether what it rests on is still so; patience_s: how long to
    wait for readers before files are removed.

    False, and nothing changed, if it does not hold, or if the store is being read all that time. Raises StoreError, also
    where the store is gone and its folder still there (a disk that is not mounted), or where a file is gone that was
    written aside: then it was taken for that of a dead writer.
    """
    need_store(backend)
    until = time.monotonic() + patience_s
    with failures_named(backend):
        while True:
            with backend.writing() as renew:
                recover(backend, renew)
                if not holds():
                    return False
                _need_sources(backend, change)
                if _is_made(backend, change, renew):
                    return True
            if time.monotonic() >= until:
                return False
            time.sleep(_READERS_POLL_S)


def _is_made(backend: StorageBackend, change: Change, renew: Callable[[], None]) -> bool:
    """Makes a change happen, unless it removes what somebody may be reading."""
    if not change.removals:
        _begin(backend, change, renew)
        return True
    with backend.removing() as nobody_reads:
        if nobody_reads:
            _begin(backend, change, renew)
    return nobody_reads


def _need_sources(backend: StorageBackend, change: Change) -> None:
    """Raises StoreError if a file to be moved is gone: such a journal could never be carried out."""
    folders = sorted({source.rpartition("/")[0] for source in change.moves})
    there = {entry.path for folder in folders for entry in backend.files(folder)}
    if not change.moves.keys() <= there:
        raise StoreError(
            "files that were written for the store have been removed since",
            file=backend.name,
            advice="run this again",
        )


def recover(backend: StorageBackend, renew: Callable[[], None] = lambda: None) -> None:
    """Carries out a change whose writer died. Only under the lock."""
    left, _ = pending(backend)
    if left != Change():
        _carry_out(backend, left, renew)


def _begin(backend: StorageBackend, change: Change, renew: Callable[[], None]) -> None:
    backend.write(JOURNAL, change.as_json())
    _carry_out(backend, change, renew)


def _carry_out(backend: StorageBackend, change: Change, renew: Callable[[], None]) -> None:
    for path in change.outdated:
        backend.remove(path)
        renew()
    for source, target in change.moves.items():
        backend.move(source, target)
        renew()
    backend.settle([*change.moves, *change.moves.values()])
    for path in change.removals:
        backend.remove(path)
        renew()
    for path, text in change.notes.items():
        backend.write(path, text.encode())
        renew()
    backend.write(JOURNAL, Change().as_json())


def remove_aside(backend: StorageBackend, paths: Iterable[str]) -> None:
    """Removes files that were written aside, but for those of a change that has begun and was broken off, as by a disk that
    is full: whoever comes next carries it out. Raises StoreError, OSError."""
    moving = pending(backend)[0].moves
    for path in paths:
        if path not in moving:
            backend.remove(path)


def sweep(backend: StorageBackend, now_s: float) -> int:
    """Carries out what writers that died had begun, and removes what they left aside, at once what the backend's owner
    left: who sweeps writes nothing meanwhile. Gives the number of files. now_s: seconds since 1970. Raises StoreError."""
    removed = 0
    need_store(backend)
    with failures_named(backend), backend.writing() as renew:
        recover(backend, renew)
        for writer, entries in groupby(backend.files(ASIDE), lambda entry: _writer_of(entry.path)):
            left = list(entries)
            own = bool(backend.owner) and writer.startswith(backend.owner)
            if own or min(abs(now_s - entry.modified_s) for entry in left) > ASIDE_FORGOTTEN_S:
                for entry in left:
                    backend.remove(entry.path)
                    removed += 1
                    renew()
    return removed


def _writer_of(path: str) -> str:
    """What of a path below ASIDE is one writer's own."""
    return path[len(ASIDE) + 1 :].partition("/")[0]


def note_json(**content: Any) -> str:
    """The text of a note."""
    return json.dumps(content, separators=(",", ":"), sort_keys=True)
