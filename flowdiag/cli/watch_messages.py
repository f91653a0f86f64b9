"""What `flowdiag watch` says of messages: which nobody took, whether they are taken now, and whether targets take any."""

from __future__ import annotations

import time
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Final

import click

from flowdiag.errors import UsageError
from flowdiag.text.escape import terminal

if TYPE_CHECKING:
    from flowdiag.collector.store.backends import StorageBackend

EVERY: Final = "all"
NOT_TAKEN: Final = 1  # exit code where a message was not taken


def failed_messages(store: str) -> int:
    """Lists what is put aside in a store. Gives the exit code. Raises StoreError."""
    from flowdiag.watch.failed import list_failed

    found = list_failed(_backend(store))
    for failed in found:
        click.echo(failed.line)
    if not found:
        click.echo("No message is put aside.")
    return 0


def send_again(store: str, notify: Path | None, names: Sequence[str]) -> int:
    """Sends what is put aside. names: of messages, or "all". Raises UsageError, ConfigError, StoreError."""
    from flowdiag.watch.failed import resend
    from flowdiag.watch.notify_file import read_notify

    told = read_notify(_needed(notify))
    return _say(resend(_backend(store), told, None if EVERY in names else names, _now_ms()))


def try_targets(notify: Path | None) -> int:
    """Sends each target a test message. Raises UsageError, ConfigError."""
    from flowdiag.watch.notify_file import read_notify
    from flowdiag.watch.trying import try_targets

    return _say(try_targets(read_notify(_needed(notify)), _now_ms()))


def _backend(store: str) -> StorageBackend:
    """Raises StoreError where there is no store."""
    from flowdiag.collector.store.changes import need_store
    from flowdiag.collector.store.opening import open_backend

    backend = open_backend(store)
    need_store(backend)
    return backend


def _needed(notify: Path | None) -> Path:
    if notify is None:
        raise UsageError("nothing says whom to tell", expected="--notify FILE.toml")
    return notify


def _now_ms() -> int:
    return time.time_ns() // 1_000_000


def _say(faults: Mapping[str, str | None]) -> int:
    for name, fault in faults.items():
        click.echo(f"{terminal(name)}  {'taken' if fault is None else terminal(fault)}")
    return NOT_TAKEN if any(fault is not None for fault in faults.values()) else 0
