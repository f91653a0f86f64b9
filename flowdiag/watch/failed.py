"""Messages that nobody took: put aside in the store, whole, one file each, until somebody has them sent again."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Any, Final

import msgspec
from msgspec import Struct

from flowdiag.collector.store.backends import StorageBackend
from flowdiag.durations import DAY_MS
from flowdiag.errors import StoreError, UsageError
from flowdiag.text.escape import terminal
from flowdiag.text.wording.watch import telling as words
from flowdiag.watch.as_json import message_json
from flowdiag.watch.event import Event
from flowdiag.watch.ledger import FOLDER
from flowdiag.watch.message import Message, NotTaken
from flowdiag.watch.notify import Notify
from flowdiag.watch.targets.delivering import deliver

FAILED: Final = f"{FOLDER}/failed"
KEPT_MS: Final = 90 * DAY_MS
MOST: Final = 10_000
SCHEMA: Final = "flowdiag.failed/1"
_NAME: Final = re.compile(r"[a-z2-7]{16}")
_SUFFIX: Final = ".json"


class Failed(Struct, frozen=True, kw_only=True):
    """target: its name; made_ms, failed_ms: when it was first to be told, and given up (ms since 1970 UTC); fault: of its last
    try; message: as a webhook or a command is given it; events: what it tells."""

    schema: str = SCHEMA
    name: str
    target: str
    made_ms: int
    failed_ms: int
    tries: int
    fault: str
    quiet: bool = False
    message: dict[str, Any] | None = None
    events: tuple[Event, ...] = ()

    @classmethod
    def of(cls, message: Message, target: str, tries: int, fault: str, now_ms: int) -> Failed:
        body = message_json(message.events, message.name, message.desk) if message.events else None
        return cls(
            name=message.name, target=target, made_ms=message.made_ms, failed_ms=now_ms, tries=tries, fault=fault,
            quiet=message.quiet, message=body, events=message.events,
        )  # fmt: skip

    @property
    def line(self) -> str:
        """For a terminal: its name, target and fault, and what it tells."""
        told = words.headline(self.events, quiet=self.quiet) if self.events else words.NO_EVENTS
        return f"{self.name}  {terminal(self.target)}  {terminal(told)}  ({terminal(self.fault)})"


def put_aside(backend: StorageBackend, failed: Failed) -> None:
    """Doing it again changes nothing. Raises StoreError."""
    backend.write(_path(failed.name), msgspec.json.encode(failed))


def list_failed(backend: StorageBackend) -> list[Failed]:
    """All that are put aside, oldest first. Raises StoreError."""
    found = []
    for entry in backend.files(FAILED):
        name = entry.path.rpartition("/")[2].removesuffix(_SUFFIX)
        if _NAME.fullmatch(name) and (failed := _read(backend, name)) is not None:
            found.append(failed)
    return sorted(found, key=lambda failed: (failed.made_ms, failed.name))


def resend(
    backend: StorageBackend, notify: Notify, names: Sequence[str] | None, now_ms: int
) -> dict[str, str | None]:
    """Sends those of the names (None: all) once more, oldest first; by name why it was not taken, None if it was and is put aside
    no longer. A target that takes nothing is asked once. Raises UsageError for names that there are none of, StoreError."""
    wanted = list_failed(backend) if names is None else [_named(backend, name) for name in names]
    targets = {target.name: target for target in notify.targets}
    down: dict[str, str] = {}
    said: dict[str, str | None] = {}
    for failed in wanted:
        target = targets.get(failed.target)
        if target is None or not failed.events:
            said[failed.name] = words.NO_TARGET if target is None else words.NO_EVENTS
            continue
        said[failed.name] = down.get(failed.target)
        if failed.target in down:
            continue
        message = Message(failed.name, failed.events, failed.made_ms, notify.desk, failed.quiet)
        try:
            deliver(target, message, now_ms)
        except NotTaken as fault:
            said[failed.name] = fault.what
            if fault.everyone:
                down[failed.target] = fault.what
        else:
            backend.remove(_path(failed.name))
    return said


def drop_old(backend: StorageBackend, now_ms: int) -> None:
    """Forgets what was put aside months ago, and the oldest of very many. Raises StoreError."""
    entries = sorted(backend.files(FAILED), key=lambda entry: entry.modified_s)
    many = len(entries) - MOST
    for number, entry in enumerate(entries):
        if number < many or entry.modified_s * 1000 < now_ms - KEPT_MS:
            backend.remove(entry.path)


def _named(backend: StorageBackend, name: str) -> Failed:
    failed = _read(backend, name) if _NAME.fullmatch(name) else None
    if failed is None:
        raise UsageError(f"no message {terminal(name)!r} is put aside", expected="a name that --failed lists")
    return failed


def _read(backend: StorageBackend, name: str) -> Failed | None:
    content = backend.read(_path(name))
    if content is None:
        return None
    try:
        return msgspec.json.decode(content, type=Failed)
    except msgspec.MsgspecError as error:
        raise StoreError(
            f"a message that was put aside is damaged ({error})", file=_path(name), advice="remove it"
        ) from error


def _path(name: str) -> str:
    return f"{FAILED}/{name}{_SUFFIX}"
