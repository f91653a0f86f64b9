"""Which modes the folders and files below a path have, and a umask for as long as a test needs it."""

from __future__ import annotations

import os
import stat
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path


@contextmanager
def umask(mask: int) -> Iterator[None]:
    before = os.umask(mask)
    try:
        yield
    finally:
        os.umask(before)


def modes_below(top: Path) -> dict[str, set[int]]:
    """The modes of all folders (the top included) and of all files."""
    found: dict[str, set[int]] = {"folders": {_mode(top)}, "files": set()}
    for path in top.rglob("*"):
        found["folders" if path.is_dir() else "files"].add(_mode(path))
    return found


def _mode(path: Path) -> int:
    return stat.S_IMODE(path.stat().st_mode)
