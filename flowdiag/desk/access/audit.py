"""Who looked at what: a line of JSON for each page that somebody saw or was refused, and for each sign-in.

Facts the design follows:
- lines are appended and never changed; JSON in ASCII keeps what people type within its line, whatever is in it;
- a file that grows for ever fills the disk: the newest is `audit.jsonl`, older ones have a number, the oldest goes;
- secrets in addresses of pages are masked by their names, so that the log opens nothing;
- an open page asks again every few seconds; the same answer to the same person is told of once a minute;
- a log that cannot be written is said, and takes nobody's pages away.
"""

from __future__ import annotations

import json
import logging
import os
import time
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final
from urllib.parse import parse_qsl, urlencode

from msgspec import Struct

from flowdiag.desk.access.rates import Rate
from flowdiag.errors import FlowdiagError
from flowdiag.modes import FILE_MODE, make_folder, opened

NAME: Final = "audit"
SUFFIX: Final = ".jsonl"
LARGEST: Final = 32 << 20  # octets of a file
KEPT: Final = 40  # files, the newest included
LONGEST: Final = 2_000  # characters of a text
SAID_EVERY_S: Final = 60.0
REPEATED_EVERY_S: Final = 60.0
MASK: Final = "***"
SECRETS: Final = frozenset(
    {"once", "code", "state", "session_state", "token", "access_token", "id_token", "password"}
)
MOST_FIELDS: Final = 100
_log: Final = logging.getLogger("flowdiag.desk")


# What happened.
PAGE: Final = "page"
SIGNED_IN: Final = "signed-in"
SIGNED_OUT: Final = "signed-out"
SIGN_IN_REFUSED: Final = "sign-in-refused"


class Entry(Struct, frozen=True):
    """event: one of those above, or what was said of an incident (acknowledged, muted, told-again); person: as they are known,
    or the name that was tried; query: as the address has it; site: its key."""

    event: str
    person: str | None
    roles: list[str]
    address: str
    method: str
    path: str
    query: str
    status: int
    site: str | None


class AuditLog:
    """Used from one event loop."""

    def __init__(self, folder: Path) -> None:
        """Raises FlowdiagError where it cannot be written."""
        self._folder = folder
        self._file = folder / f"{NAME}{SUFFIX}"
        self._said = -SAID_EVERY_S
        self._repeated = Rate(1 / REPEATED_EVERY_S, 1)
        try:
            make_folder(folder)
            self._descriptor = self._opened()
        except OSError as error:
            raise FlowdiagError(f"the audit log cannot be written: {error}", file=str(self._file)) from error

    def tell(self, entry: Entry) -> None:
        if entry.event == PAGE and entry.method == "GET" and self._repeated.take(repr(entry)):
            return
        line = json.dumps(_content(entry), ensure_ascii=True, separators=(",", ":")) + "\n"
        try:
            if os.fstat(self._descriptor).st_size + len(line) > LARGEST:
                self._turn()
            os.write(self._descriptor, line.encode("ascii"))
        except OSError as error:
            if time.monotonic() - self._said >= SAID_EVERY_S:
                self._said = time.monotonic()
                _log.error("%s: the audit log cannot be written: %s", self._file, error)

    def close(self) -> None:
        os.close(self._descriptor)

    def _opened(self) -> int:
        return opened(self._file, os.O_WRONLY | os.O_APPEND | os.O_CREAT | os.O_CLOEXEC, FILE_MODE)

    def _turn(self) -> None:
        """Begins a new file; the others move on by one."""
        for number in range(KEPT - 1, 0, -1):
            older = self._file if number == 1 else self._numbered(number - 1)
            if older.exists():
                older.replace(self._numbered(number))
        before, self._descriptor = self._descriptor, self._opened()
        os.close(before)

    def _numbered(self, number: int) -> Path:
        return self._folder / f"{NAME}.{number}{SUFFIX}"


def _content(entry: Entry) -> dict[str, Any]:
    return {
        "time": datetime.now(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z"),
        "event": entry.event,
        "person": None if entry.person is None else entry.person[:LONGEST],
        "roles": entry.roles,
        "address": entry.address[:LONGEST],
        "method": entry.method[:LONGEST],
        "path": entry.path[:LONGEST],
        "query": masked(entry.query)[:LONGEST],
        "status": entry.status,
        "site": entry.site,
    }


def masked(query: str) -> str:
    """A query without the values that open something."""
    try:
        fields = parse_qsl(query, keep_blank_values=True, max_num_fields=MOST_FIELDS)
    except ValueError:
        return MASK  # very many fields
    return urlencode(
        [(name, MASK if name.casefold() in SECRETS else value) for name, value in fields], safe="*:+/"
    )
