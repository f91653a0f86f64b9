"""A store in an object store: pyarrow's filesystem, and a lock made of objects.

Facts the design follows:
- an upload shows when it ends, whole; renaming is copying and deleting, done by the store itself;
- a lock: each writer puts an object of its own, then lists. Who sees nobody else's holds the lock; who sees
  another's takes his own away and tries again later. Of two at the same time at least one sees the other, because
  a listing shows what was put before it;
- a writer that died leaves its object behind. The others take it for dead when it was not renewed for long, by the
  store's own clock: that of an object they just put.
"""

from __future__ import annotations

import random
import time
import uuid
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import Any, Final

import pyarrow.fs as arrow_fs

from flowdiag.collector.store.backends import Entry
from flowdiag.collector.store.folder import LOCK_PATIENCE_S, OWN_FOLDER
from flowdiag.errors import StoreError

LOCKS: Final = f"{OWN_FOLDER}/locks"

# A commit takes seconds and renews its lock between files; one file takes no minute.
DEAD_AFTER_S: Final = 300.0
RENEW_AFTER_S: Final = 30.0
_LONGEST_PAUSE_S: Final = 2.0


class Objects:
    """See StorageBackend."""

    def __init__(self, name: str, filesystem: Any, root: str, owner: str = "") -> None:
        self.name = name
        self.owner = owner
        self._filesystem = filesystem
        self._root = root

    def _at(self, path: str) -> str:
        return f"{self._root}/{path}" if path else self._root

    def _listed(self, folder: str, *, recursive: bool) -> list[Any]:
        selector = arrow_fs.FileSelector(self._at(folder), recursive=recursive, allow_not_found=True)
        found: list[Any] = self._filesystem.get_file_info(selector)
        return found

    def make(self) -> None:
        """A bucket is made by who pays for it."""

    def files(self, folder: str) -> list[Entry]:
        cut = len(self._root) + 1
        return sorted(
            Entry(info.path[cut:], info.size, info.mtime_ns / 1e9 if info.mtime_ns else 0.0)
            for info in self._listed(folder, recursive=True)
            if info.type == arrow_fs.FileType.File
        )

    def folders(self, folder: str) -> list[str]:
        return sorted(
            info.base_name
            for info in self._listed(folder, recursive=False)
            if info.type == arrow_fs.FileType.Directory
        )

    def names(self, folder: str) -> list[str]:
        return sorted(info.base_name for info in self._listed(folder, recursive=False))

    def read(self, path: str) -> bytes | None:
        try:
            with self._filesystem.open_input_file(self._at(path)) as file:
                octets: bytes = file.read()
                return octets
        except FileNotFoundError:
            return None

    def write(self, path: str, octets: bytes) -> None:
        with self._filesystem.open_output_stream(self._at(path)) as file:
            file.write(octets)

    def open_input(self, path: str) -> Any:
        return self._filesystem.open_input_file(self._at(path))

    def open_output(self, path: str) -> Any:
        return self._filesystem.open_output_stream(self._at(path))

    def seal(self, paths: Sequence[str]) -> None:
        """Uploads that ended are safe."""

    def move(self, source: str, target: str) -> None:
        at_source, at_target = self._filesystem.get_file_info([self._at(source), self._at(target)])
        if at_source.type == arrow_fs.FileType.NotFound:
            if at_target.type == arrow_fs.FileType.NotFound:
                raise FileNotFoundError(2, "a file that was to be moved is gone", source)
            return
        self._filesystem.move(self._at(source), self._at(target))

    def remove(self, path: str) -> None:
        info = self._filesystem.get_file_info(self._at(path))
        if info.type == arrow_fs.FileType.File:
            self._filesystem.delete_file(self._at(path))

    def settle(self, paths: list[str]) -> None:
        """What the store has confirmed is safe."""

    @contextmanager
    def writing(self) -> Iterator[Callable[[], None]]:
        lock = _Lock(self)
        lock.acquire()
        try:
            yield lock.renew
        finally:
            self.remove(lock.path)

    @contextmanager
    def removing(self, patience_s: float = 0.0) -> Iterator[bool]:
        """Nothing keeps readers of an object store out; one whose file is removed gets StoreChanged and reads again."""
        yield True

    @contextmanager
    def reading(self) -> Iterator[None]:
        yield


class _Lock:
    def __init__(self, backend: Objects) -> None:
        self._backend = backend
        self.path = f"{LOCKS}/{uuid.uuid4().hex}"
        self._renewed = 0.0

    def acquire(self) -> None:
        until = time.monotonic() + DEAD_AFTER_S + LOCK_PATIENCE_S
        pause = 0.05
        while True:
            self._put()
            entries = {entry.path: entry for entry in self._backend.files(LOCKS)}
            now = entries[self.path].modified_s if self.path in entries else 0.0
            living = [
                e for e in entries.values() if e.path != self.path and e.modified_s > now - DEAD_AFTER_S
            ]
            if self.path in entries and not living:
                for entry in entries.values():
                    if entry.path != self.path:
                        self._backend.remove(entry.path)
                return
            self._backend.remove(self.path)
            if time.monotonic() > until:
                raise StoreError(
                    "other processes have been writing to the store for minutes",
                    file=self._backend.name,
                    advice=f"look for a hanging flowdiag ingest or collect; a lock is an object below {LOCKS}",
                )
            time.sleep(random.uniform(pause / 2, pause))
            pause = min(2 * pause, _LONGEST_PAUSE_S)

    def renew(self) -> None:
        if time.monotonic() > self._renewed + RENEW_AFTER_S:
            self._put()

    def _put(self) -> None:
        self._backend.write(self.path, b"a writer of flowdiag")
        self._renewed = time.monotonic()
