"""A store in a folder of this machine: renames, fsync and the locks of the kernel, which end with their process."""

from __future__ import annotations

import errno
import fcntl
import os
import time
import uuid
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any, Final

from flowdiag.collector.store.backends import Entry
from flowdiag.errors import StoreError
from flowdiag.modes import make_folder, opened

OWN_FOLDER: Final = "_flowdiag"
ASIDE: Final = f"{OWN_FOLDER}/aside"
WRITING_LOCK: Final = f"{OWN_FOLDER}/writing.lock"
READING_LOCK: Final = f"{OWN_FOLDER}/reading.lock"

# A commit takes milliseconds; who holds the lock for this long hangs.
LOCK_PATIENCE_S: Final = 120.0
_POLL_S: Final = 0.02
# A journaling filesystem writes down at once whatever waits for it: eight at a time are done twenty times as fast as one
# after another, measured on ext4.
SYNCS_AT_ONCE: Final = 8


class Folder:
    """See StorageBackend. Once it is made, nothing makes its root again: that of a disk which is not mounted any more would
    hide what is on it, and would itself be hidden later."""

    def __init__(self, path: str | Path, owner: str = "") -> None:
        self.name = str(path)
        self.owner = owner
        self.root = Path(path)

    def make(self) -> None:
        make_folder(self.root)

    def files(self, folder: str) -> list[Entry]:
        found = []
        waiting = [folder]
        while waiting:
            below = waiting.pop()
            try:
                entries = list(os.scandir(self.root / below))
            except FileNotFoundError:
                continue
            for entry in entries:
                path = f"{below}/{entry.name}" if below else entry.name
                if entry.is_dir():
                    waiting.append(path)
                    continue
                with suppress(FileNotFoundError):  # moved away since it was listed
                    status = entry.stat()
                    found.append(Entry(path, status.st_size, status.st_mtime))
        return sorted(found)

    def folders(self, folder: str) -> list[str]:
        try:
            return sorted(entry.name for entry in os.scandir(self.root / folder) if entry.is_dir())
        except FileNotFoundError:
            return []

    def names(self, folder: str) -> list[str]:
        try:
            return sorted(os.listdir(self.root / folder))
        except FileNotFoundError:
            return []

    def read(self, path: str) -> bytes | None:
        try:
            return (self.root / path).read_bytes()
        except FileNotFoundError:
            return None

    def write(self, path: str, octets: bytes) -> None:
        target = self._with_parent(path)
        aside = self._with_parent(f"{ASIDE}/{self.owner}{uuid.uuid4().hex}")
        with open(aside, "wb", opener=opened) as file:
            file.write(octets)
            file.flush()
            os.fsync(file.fileno())
        aside.replace(target)
        _sync(target.parent)

    def open_input(self, path: str) -> Any:
        return (self.root / path).open("rb")

    def open_output(self, path: str) -> Any:
        return open(self._with_parent(path), "wb", opener=opened)

    def seal(self, paths: Sequence[str]) -> None:
        files = [self.root / path for path in paths]
        folders = {folder for file in files for folder in (file.parent, file.parent.parent)}
        _sync_all([*files, *sorted(folders)])

    def move(self, source: str, target: str) -> None:
        new = self._with_parent(target)
        try:
            os.replace(self.root / source, new)
        except FileNotFoundError:
            if not new.exists():
                raise
        with suppress(OSError):  # not empty: the folder of what was written aside
            (self.root / source).parent.rmdir()

    def remove(self, path: str) -> None:
        target = self.root / path
        target.unlink(missing_ok=True)
        folder = target.parent
        with suppress(OSError):  # not empty, or gone
            while folder != self.root and folder.parent.name != OWN_FOLDER:
                folder.rmdir()
                folder = folder.parent

    def settle(self, paths: list[str]) -> None:
        folders: set[Path] = set()
        for path in paths:
            folder = (self.root / path).parent
            while folder != self.root:  # a new folder is named in the one above it
                folders.add(folder)
                folder = folder.parent
        _sync_all(folder for folder in sorted({*folders, self.root}) if folder.exists())

    @contextmanager
    def writing(self) -> Iterator[Callable[[], None]]:
        lock = self._with_parent(WRITING_LOCK)
        with _locked(lock, fcntl.LOCK_EX, create=True, patience_s=LOCK_PATIENCE_S) as held:
            if not held:
                raise StoreError(
                    "another process has been writing to the store for two minutes",
                    file=self.name,
                    advice="look for a hanging flowdiag ingest or collect, end it, and run this again",
                )
            yield lambda: None

    @contextmanager
    def removing(self, patience_s: float = 0.0) -> Iterator[bool]:
        lock = self._with_parent(READING_LOCK)
        with _locked(lock, fcntl.LOCK_EX, create=True, patience_s=patience_s) as held:
            yield held

    @contextmanager
    def reading(self) -> Iterator[None]:
        lock = self.root / READING_LOCK
        with _locked(lock, fcntl.LOCK_SH, create=False, patience_s=LOCK_PATIENCE_S):
            yield

    def _with_parent(self, path: str) -> Path:
        """A path below the root, in a folder that is made if need be. Raises FileNotFoundError without the root."""
        if not self.root.is_dir():
            raise FileNotFoundError(errno.ENOENT, os.strerror(errno.ENOENT), str(self.root))
        target = self.root / path
        make_folder(target.parent)
        return target


@contextmanager
def _locked(path: Path, kind: int, *, create: bool, patience_s: float) -> Iterator[bool]:
    """Holds a lock of the kernel (flock); gives False if it could not be had in time.

    create: make its file if there is none; otherwise, without one, there is nothing to wait for.
    """
    if create:
        descriptor = opened(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC)
    else:
        try:
            descriptor = os.open(path, os.O_RDONLY | os.O_CLOEXEC)
        except FileNotFoundError:
            yield True
            return
    try:
        until = time.monotonic() + patience_s
        held = False
        while not held:
            try:
                fcntl.flock(descriptor, kind | fcntl.LOCK_NB)
                held = True
            except BlockingIOError:
                if time.monotonic() >= until:
                    break
                time.sleep(_POLL_S)
        yield held
    finally:
        os.close(descriptor)


def _sync_all(paths: Iterable[Path]) -> None:
    """Has files and folders on disk for good, in any order."""
    with ThreadPoolExecutor(SYNCS_AT_ONCE) as pool:
        for _ in pool.map(_sync, paths):
            pass


def _sync(path: Path) -> None:
    descriptor = os.open(path, os.O_RDONLY | os.O_CLOEXEC)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
