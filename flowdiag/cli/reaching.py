"""The place that a path names, reached without following a link that somebody else may have put in the way.

Facts the design follows:
- in a folder that others can write to, such as /tmp, anybody can put a link under the name that a result will have; it
  would be written over whatever the link names (CWE-59). Linux keeps sticky folders from that where it is set so
  (fs.protected_symlinks, proc(5)), and folders of a group never;
- each part of a path is looked at by itself, from the folder that was opened before it (openat(2), O_NOFOLLOW): what was
  looked at is what is used, whatever others rename meanwhile;
- folders that only their owner can write to are left to their owner: links in them are followed as ever.
"""

from __future__ import annotations

import errno
import os
import stat
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

from msgspec import Struct

from flowdiag.errors import FlowdiagError

# As many as Linux follows (path_resolution(7)).
MAX_LINKS: Final = 40
_OTHERS_WRITE: Final = stat.S_IWGRP | stat.S_IWOTH
# To pass through, a folder need not be readable.
_FOLDER: Final = getattr(os, "O_PATH", os.O_RDONLY) | os.O_DIRECTORY | os.O_CLOEXEC
_OWN: Final = "name a file in a folder of your own"


class Reached(Struct):
    """folder: descriptor of the folder that a path ends in; name: in it; status: of what is there, None for nothing.

    What is no regular file may still be a link (the descriptors in /proc have no other name).
    """

    folder: int
    name: str = ""
    status: os.stat_result | None = None


@contextmanager
def reached(path: Path) -> Iterator[Reached]:
    """Raises FlowdiagError for a link or a file that others may have put there, OSError for a path that leads nowhere."""
    at = Reached(os.open("/" if path.is_absolute() else ".", _FOLDER))
    try:
        _walk(at, path)
        yield at
    finally:
        os.close(at.folder)


def _walk(at: Reached, path: Path) -> None:
    waiting = _names(path)
    links, shared = 0, False
    while waiting:
        at.name = waiting.pop()
        status = _status(at, follow=False)
        if status is not None and stat.S_ISLNK(status.st_mode):
            if _others_write(at):
                _need_owner(status, (os.geteuid(), 0), path, "this is a link of another user")
                shared = True
            followed = _status(at, follow=True)
            if waiting or followed is None or stat.S_ISREG(followed.st_mode):
                links += 1
                if links > MAX_LINKS:
                    raise OSError(errno.ELOOP, os.strerror(errno.ELOOP))
                target = Path(os.readlink(at.name, dir_fd=at.folder))
                if target.is_absolute():
                    _enter(at, "/")
                waiting += _names(target)
                continue
            status = followed
        if waiting:
            _enter(at, at.name)
            continue
        at.status = status
        if status is None:
            return
        if not stat.S_ISREG(status.st_mode):
            if shared or _others_write(at):
                _need_owner(status, (os.geteuid(), 0), path, "this is a device or pipe of another user")
        elif shared:
            _need_owner(status, (os.geteuid(),), path, "this is a link to a file of another user")


def _names(path: Path) -> list[str]:
    """The parts of a path, the last one first. Raises OSError for the root."""
    parts = path.parts[1:] if path.is_absolute() else path.parts
    if not parts:
        raise OSError(errno.EISDIR, os.strerror(errno.EISDIR))
    return [*reversed(parts)]


def _enter(at: Reached, name: str) -> None:
    inner = os.open(name, _FOLDER | os.O_NOFOLLOW, dir_fd=at.folder)
    os.close(at.folder)
    at.folder = inner


def _status(at: Reached, *, follow: bool) -> os.stat_result | None:
    try:
        return os.stat(at.name, dir_fd=at.folder, follow_symlinks=follow)
    except FileNotFoundError:
        return None


def _others_write(at: Reached) -> bool:
    return bool(os.fstat(at.folder).st_mode & _OTHERS_WRITE)


def _need_owner(status: os.stat_result, owners: tuple[int, ...], path: Path, what: str) -> None:
    if status.st_uid not in owners:
        raise FlowdiagError(f"{what}, in a folder that others can write to", file=str(path), advice=_OWN)
