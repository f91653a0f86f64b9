"""Folders and files of a store, a spool and its state are for their owner and the owner's group, keys for their owner
alone, whatever the umask.

Facts the design follows:
- flow records tell who talked with whom, so others may not read them; a group that watches or asks may;
- a umask can take permissions away and add none, so a mode is given when something is made and set again afterwards:
  at no moment is it wider than it shall be. What is there already keeps the mode that somebody gave it;
- a folder keeps the set-group-ID bit that it has from the one above it, which a shared store relies on (Linux
  inode(7)).
"""

from __future__ import annotations

import os
import stat
from contextlib import suppress
from pathlib import Path
from typing import Final

FOLDER_MODE: Final = 0o750
FILE_MODE: Final = 0o640
SECRET_MODE: Final = 0o600


def make_folder(folder: Path) -> None:
    """Makes a folder, and those above it that are missing, unless it is there. Raises OSError."""
    try:
        folder.mkdir(FOLDER_MODE)
    except FileNotFoundError:
        make_folder(folder.parent)
        make_folder(folder)
        return
    except FileExistsError:
        if not folder.is_dir():
            raise
        return
    with suppress(PermissionError):  # a file system without modes has rights of its own
        os.chmod(folder, FOLDER_MODE | folder.stat().st_mode & stat.S_ISGID)


def opened(path: str | Path, flags: int, mode: int = FILE_MODE) -> int:
    """A descriptor as os.open() gives it, also as `opener` of open(); a file that it makes has that mode. Raises
    OSError."""
    if not flags & os.O_CREAT:
        return os.open(path, flags)
    try:
        descriptor = os.open(path, flags | os.O_EXCL, mode)
    except FileExistsError:
        if flags & os.O_EXCL:
            raise
        return os.open(path, flags & ~os.O_CREAT)
    with suppress(PermissionError):
        os.fchmod(descriptor, mode)
    return descriptor
