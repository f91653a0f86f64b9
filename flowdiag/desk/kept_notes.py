"""Notes that somebody asked for stay as they were read, so that a link in a ticket gives the same next month.

One SQLite file in the desk's folder; a note is found by a digest of its content, so that the same note is kept once.
"""

from __future__ import annotations

import hashlib
import sqlite3
import time
from base64 import b32encode
from pathlib import Path
from threading import Lock
from typing import Any, Final

import msgspec
import zstandard
from msgspec import Struct

from flowdiag.desk.asking.note_question import NoteAnswer, NoteQuestion
from flowdiag.errors import FlowdiagError
from flowdiag.modes import FILE_MODE, make_folder, opened

FILE_NAME: Final = "notes.sqlite"
KEPT_DAYS: Final = 400  # a ticket is looked at again within a year
MOST_KEPT: Final = 200_000
LARGEST: Final = 32 << 20  # octets of one note
_ID_OCTETS: Final = 15  # 120 bits, 24 characters
_DAY_S: Final = 86_400


class KeptNote(Struct, frozen=True):
    """question: that it answers; made_ms: when."""

    site: str
    question: NoteQuestion
    answer: NoteAnswer
    made_ms: int


class KeptNotes:
    """The notes of a desk. Used from any thread."""

    def __init__(self, folder: Path) -> None:
        """Raises FlowdiagError for a folder that cannot be used."""
        self._lock = Lock()
        file = folder / FILE_NAME
        try:
            make_folder(folder)
            with open(file, "ab", opener=lambda path, flags: opened(path, flags, FILE_MODE)):
                pass
            self._base = sqlite3.connect(file, check_same_thread=False, isolation_level=None)
            self._base.execute("PRAGMA journal_mode=WAL")
            self._base.execute(
                "CREATE TABLE IF NOT EXISTS notes (id TEXT PRIMARY KEY, made_ms INTEGER NOT NULL, content BLOB NOT NULL)"
            )
            self._base.execute("CREATE INDEX IF NOT EXISTS by_time ON notes (made_ms)")
        except (OSError, sqlite3.Error) as error:
            raise FlowdiagError(f"notes cannot be kept: {error}", file=str(file)) from error

    def keep(self, site: str, question: NoteQuestion, answer: NoteAnswer) -> str:
        """The note's identifier. site: its key."""
        identifier = _identifier(site, question, answer)
        made_ms = round(time.time() * 1000)
        note = KeptNote(site, question, answer, made_ms)
        content = zstandard.compress(msgspec.msgpack.encode(note))
        with self._lock:
            self._base.execute(
                "INSERT INTO notes VALUES (?, ?, ?) ON CONFLICT DO NOTHING", (identifier, made_ms, content)
            )
            self._base.execute("DELETE FROM notes WHERE made_ms < ?", (made_ms - KEPT_DAYS * _DAY_S * 1000,))
            self._base.execute(
                "DELETE FROM notes WHERE made_ms < (SELECT made_ms FROM notes ORDER BY made_ms DESC LIMIT 1 OFFSET ?)",
                (MOST_KEPT - 1,),
            )
        return identifier

    def get(self, site: str, identifier: str) -> KeptNote | None:
        """The note of that site; None where there is none."""
        with self._lock:
            row = self._base.execute("SELECT content FROM notes WHERE id = ?", (identifier,)).fetchone()
        if row is None:
            return None
        content = zstandard.decompress(row[0], max_output_size=LARGEST)
        note = msgspec.msgpack.decode(content, type=KeptNote)
        return note if note.site == site else None

    def close(self) -> None:
        self._base.close()


def _identifier(site: str, question: Any, answer: NoteAnswer) -> str:
    digest = hashlib.sha256(msgspec.json.encode((site, question, answer))).digest()
    return b32encode(digest[:_ID_OCTETS]).decode().lower()
