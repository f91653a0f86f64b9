"""The ledger of a store that is a folder: one SQLite file.

Facts the design follows:
- a transaction that was not finished (kill -9, power cut) is undone by whoever opens the file next; one that was is on disk
  with synchronous=FULL, which also syncs a journal that is truncated (SQLite, "Atomic Commit"). A write-ahead log would need
  shared memory, which a network file system does not have, and write permission for those who only read;
- closing any descriptor of a file gives up all locks that the process has on it (SQLite, "How To Corrupt", 2.2): the file, made
  here because SQLite knows no modes, is closed before anybody can connect to it;
- a connection must not be used in a process that was forked from the one that made it (SQLite, "How To Corrupt", 2.6), and
  here a document is read or written some times a minute: each time has a connection of its own;
- as for all of a store, nothing makes its root: that of a disk that is not mounted would hide what is on it.
"""

from __future__ import annotations

import errno
import os
import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import closing, contextmanager, suppress
from pathlib import Path
from threading import Lock
from typing import Final

from flowdiag.collector.store.backends import unusable
from flowdiag.errors import StoreError
from flowdiag.modes import make_folder, opened
from flowdiag.watch.ledger import FOLDER, Change, Document

FILE_NAME: Final = "watch.sqlite"
# Whoever writes holds the file for some milliseconds, on a slow disk for some tenths of a second.
PATIENCE_S: Final = 30.0
_SHAPE: Final = 1  # of the table, as user_version
_INSERT: Final = "INSERT INTO documents VALUES (:name, :version + 1, :content) ON CONFLICT DO NOTHING"
_REPLACE: Final = "UPDATE documents SET content = :content, version = :version + 1 WHERE name = :name AND version = :version"
_DAMAGED: Final = (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB)
_making = Lock()


class FolderLedger:
    """See Ledger."""

    def __init__(self, root: Path) -> None:
        self._root = root
        self._file = root / FOLDER / FILE_NAME

    def read(self, name: str) -> Document | None:
        with self._reading() as base:
            query = "SELECT version, content FROM documents WHERE name = ?"
            row = base and base.execute(query, (name,)).fetchone()
        return Document(*row) if row else None

    def versions(self) -> dict[str, int]:
        with self._reading() as base:
            return dict(base.execute("SELECT name, version FROM documents")) if base else {}

    def write(self, name: str, content: bytes, version: int) -> bool:
        (written,) = self.write_each([Change(name, content, version)])
        return written

    def write_each(self, changes: Sequence[Change]) -> list[bool]:
        with self._writing() as base:
            return [
                base.execute(_REPLACE if one.version else _INSERT, one._asdict()).rowcount == 1
                for one in changes
            ]

    def remove(self, name: str, version: int) -> None:
        with self._writing() as base:
            base.execute("DELETE FROM documents WHERE name = ? AND version = ?", (name, version))

    def close(self) -> None:
        """Nothing is held open."""

    @contextmanager
    def _reading(self) -> Iterator[sqlite3.Connection | None]:
        """A connection; None while nothing was written yet."""
        with self._failures_named():
            if not self._is_there(make=False):
                yield None
                return
            with closing(self._connected()) as base:
                yield base if self._has_table(base) else None

    @contextmanager
    def _writing(self) -> Iterator[sqlite3.Connection]:
        """A connection in a transaction, which is on disk when this ends."""
        with self._failures_named():
            self._is_there(make=True)
            with closing(self._connected()) as base:
                base.execute("PRAGMA journal_mode = TRUNCATE")
                base.execute("PRAGMA synchronous = FULL")
                base.execute("BEGIN IMMEDIATE")
                if not self._has_table(base):
                    base.execute(
                        "CREATE TABLE documents (name TEXT PRIMARY KEY, version INTEGER NOT NULL, content BLOB NOT NULL)"
                    )
                    base.execute(f"PRAGMA user_version = {_SHAPE}")
                yield base
                base.execute("COMMIT")

    def _connected(self) -> sqlite3.Connection:
        return sqlite3.connect(self._file, timeout=PATIENCE_S, isolation_level=None)

    def _has_table(self, base: sqlite3.Connection) -> bool:
        (shape,) = base.execute("PRAGMA user_version").fetchone()
        if shape > _SHAPE:
            raise StoreError(
                "what the watch knows was written by a newer flowdiag",
                file=str(self._file),
                advice="use that version for this store",
            )
        return bool(shape == _SHAPE)

    def _is_there(self, *, make: bool) -> bool:
        """Whether there is a file to connect to. Raises OSError."""
        with _making:
            if self._file.exists():
                return True
            if not self._root.is_dir():
                raise FileNotFoundError(errno.ENOENT, os.strerror(errno.ENOENT), str(self._root))
            if make:
                make_folder(self._file.parent)
                with suppress(FileExistsError):
                    os.close(opened(self._file, os.O_RDWR | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC))
            return make

    @contextmanager
    def _failures_named(self) -> Iterator[None]:
        try:
            yield
        except OSError as error:
            raise unusable(str(self._root), error) from error
        except sqlite3.Error as error:
            raise self._fault(error) from error

    def _fault(self, error: sqlite3.Error) -> StoreError:
        code = getattr(error, "sqlite_errorcode", 0) & 0xFF  # the rest says more about the same
        if code in _DAMAGED:
            return StoreError(
                f"what the watch knows is damaged ({error})",
                file=str(self._file),
                advice="move that file elsewhere: the watch begins anew, and tells again what goes on",
            )
        if code == sqlite3.SQLITE_BUSY:
            return StoreError(
                f"another process has been writing what the watch knows for {PATIENCE_S:.0f} seconds",
                file=str(self._file),
                advice="look for a hanging flowdiag watch, end it, and run this again",
            )
        return unusable(str(self._file), error)
