"""The invented provider that `flowdiag desk --demo` serves: made by processes of their own, so that the server stays light."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from multiprocessing import get_context
from pathlib import Path
from typing import Final

import msgspec
from msgspec import Struct

from flowdiag.errors import UsageError

DEFAULT_FOLDER: Final = "flowdiag-desk-demo"
SITES: Final = 12  # of scenario/provider.py
MADE: Final = "made.json"
STORE, PROFILES, STATE = "flows", "sites", "state"
# Its newest records are of the minute that it was made in; what goes on there is over for the desk after a while.
FRESH_MS: Final = 15 * 60_000
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
        for name in (STORE, PROFILES, STATE):
            shutil.rmtree(folder / name, ignore_errors=True)
        folder.mkdir(parents=True, exist_ok=True)
        (folder / MADE).write_bytes(msgspec.json.encode(Made(0)))  # known for a demo's also if it is given up
        _make(folder, now_ms, told)
        (folder / MADE).write_bytes(msgspec.json.encode(Made(now_ms)))
    except OSError as error:
        reason = error.strerror or str(error)
        raise UsageError(reason, file=str(folder), advice="name a folder that can be written to") from error
    return True


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
