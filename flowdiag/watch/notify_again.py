"""A notify file that is read again where it has changed, so that a watch that knows its sites need not begin anew."""

from __future__ import annotations

from pathlib import Path

from flowdiag.watch.notify import Notify
from flowdiag.watch.notify_file import read_notify


class NotifyAgain:
    """Of secrets in files of their own only what is read with the file is known: whoever changes one touches the file."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._stamp = _stamp(path)

    def read(self) -> Notify:
        """Raises ConfigError."""
        return read_notify(self._path)

    def changed(self) -> Notify | None:
        """What it says where that is new; None where it is as it was, or not there. One with mistakes is read once, and again
        when it has changed. Raises ConfigError."""
        stamp = _stamp(self._path)
        if stamp in (None, self._stamp):
            return None
        self._stamp = stamp
        return self.read()


def _stamp(path: Path) -> tuple[int, ...] | None:
    try:
        status = path.stat()
    except OSError:
        return None
    return status.st_mtime_ns, status.st_size, status.st_ino
