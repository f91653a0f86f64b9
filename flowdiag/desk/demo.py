"""The invented provider that `flowdiag desk --demo` serves: made by processes of their own, so that the server stays light."""

from __future__ import annotations

import shutil
import signal
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from multiprocessing import get_context, parent_process
from multiprocessing.connection import wait
from pathlib import Path
from typing import Final

import click
import msgspec
from msgspec import Struct

from flowdiag.errors import FlowdiagError, UsageError

DEFAULT_FOLDER: Final = "flowdiag-desk-demo"
SITES: Final = 12  # of scenario/provider.py
MADE: Final = "made.json"
STORE, PROFILES, STATE, COMING = "flows", "sites", "state", "coming"
GOES_ON_MS: Final = 60 * 60_000  # of scenario/provider.py: as long after it was made records come
# What happens there is placed by how long ago it was when it was made.
FRESH_MS: Final = 15 * 60_000
ADDED_EVERY_S: Final = 60.0
ADDED_AFTER_S: Final = 2.0  # the minute has ended
PROCESSES: Final = 2
Told = Callable[[int, int], None]


class Made(Struct, frozen=True, tag="flowdiag.desk-demo/1", tag_field="schema"):
    """made_ms: since 1970 UTC."""

    made_ms: int


def prepare_demo(folder: Path, now_ms: int, told: Told | None) -> bool:
    """Makes the provider in a folder, anew where one is there that is no longer fresh. Gives whether it was made. told: how many
    sites are done, and of how many.

    Raises UsageError for a folder that holds something else, or cannot be written to.
    """
    try:
        made = _made(folder)
        if made is not None and abs(now_ms - made.made_ms) < FRESH_MS:
            return False
        for name in (STORE, PROFILES, STATE, COMING):
            shutil.rmtree(folder / name, ignore_errors=True)
        folder.mkdir(parents=True, exist_ok=True)
        (folder / MADE).write_bytes(msgspec.json.encode(Made(0)))  # known for a demo's also if it is given up
        _make(folder, now_ms, told)
        (folder / MADE).write_bytes(msgspec.json.encode(Made(now_ms)))
    except OSError as error:
        reason = error.strerror or str(error)
        raise UsageError(reason, file=str(folder), advice="name a folder that can be written to") from error
    return True


@contextmanager
def going_on(folder: Path) -> Iterator[None]:
    """While this lasts, what the provider's routers export comes into its store each minute, as by a collector."""
    process = get_context("spawn").Process(target=_go_on, args=(str(folder),), daemon=True)
    process.start()
    try:
        yield
    finally:
        process.terminate()
        process.join()


def _go_on(folder: str) -> None:
    """In a process of its own, until nothing more is to come or the desk has ended, however it did."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is for the desk, which ends this
    from flowdiag.scenario.provider import add_coming

    desk = parent_process()
    assert desk is not None
    try:
        while add_coming(Path(folder), time.time_ns() // 1_000_000):
            if wait([desk.sentinel], ADDED_EVERY_S - (time.time() - ADDED_AFTER_S) % ADDED_EVERY_S):
                break
    except (FlowdiagError, OSError) as error:
        click.echo(f"No more records come to the demo: {error}", err=True)


def _made(folder: Path) -> Made | None:
    """What was made in a folder; None where it is new or empty. Raises UsageError."""
    if not folder.exists() or (folder.is_dir() and not any(folder.iterdir())):
        return None
    try:
        return msgspec.json.decode((folder / MADE).read_bytes(), type=Made)
    except (OSError, msgspec.MsgspecError) as error:
        raise UsageError(
            "is there already and did not come from this demo", file=str(folder), advice="name another folder"
        ) from error


def _make(folder: Path, now_ms: int, told: Told | None) -> None:
    tasks = [(str(folder), number, now_ms) for number in range(SITES)]
    with get_context("spawn").Pool(PROCESSES) as pool:
        for done, _ in enumerate(pool.imap_unordered(_make_site, tasks), start=1):
            if told is not None:
                told(done, SITES)


def _make_site(task: tuple[str, int, int]) -> None:
    from flowdiag.scenario.provider import make_site

    folder, number, now_ms = task
    make_site(Path(folder), number, now_ms)
