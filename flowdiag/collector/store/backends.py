"""Where a store lies: a folder, or anything that pyarrow has a filesystem for (s3://, gs://, hdfs://).

Facts the design follows:
- a reader must never see half a file: a folder gets files by rename, which is atomic (POSIX rename), an object
  appears when its upload ends;
- what was written survives a power cut only after fsync of the file and of the folder that names it;
- an object store has no locks; but a listing shows every object that was put before it (S3 since 2020), and that
  is enough to build one (objects.py).

Paths inside a backend are relative, with "/" between their parts.
"""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Iterator, Sequence
from contextlib import AbstractContextManager, contextmanager
from typing import Any, Final, NamedTuple, Protocol

from flowdiag.errors import StoreError

_SCHEME: Final = re.compile(r"[a-z][a-z0-9+.-]+://", re.IGNORECASE)


class Entry(NamedTuple):
    """A file of a backend. modified_s: seconds since 1970 by the backend's own clock."""

    path: str
    octets: int
    modified_s: float


class StorageBackend(Protocol):
    """name: what the user called it; owner: begins the names of what is written aside from here, so that the same writer
    knows it for its own after it died; empty for writers that do not come back."""

    name: str
    owner: str

    def make(self) -> None:
        """Makes what a store lies in, unless it is there."""
        ...

    def files(self, folder: str) -> list[Entry]:
        """All files below a folder in sorted order of their paths; none if there is no such folder."""
        ...

    def folders(self, folder: str) -> list[str]:
        """The names of the folders in a folder, sorted."""
        ...

    def names(self, folder: str) -> list[str]:
        """The names of the files and folders in a folder, sorted."""
        ...

    def read(self, path: str) -> bytes | None:
        """A small file, whole; None if there is none."""
        ...

    def write(self, path: str, octets: bytes) -> None:
        """A small file, whole or not at all, in place of one of that path; on disk when this returns."""
        ...

    def open_input(self, path: str) -> Any:
        """A file to read at any position, for pyarrow. Raises FileNotFoundError."""
        ...

    def open_output(self, path: str) -> Any:
        """A new file to write from front to end, for pyarrow; seal() when it was closed."""
        ...

    def seal(self, paths: Sequence[str]) -> None:
        """Has files that were written and closed on disk for good."""
        ...

    def move(self, source: str, target: str) -> None:
        """Names a file anew. Nothing happens if that was done before; raises FileNotFoundError if it is neither."""
        ...

    def remove(self, path: str) -> None:
        """Removes a file, if it is there, and folders that it leaves empty."""
        ...

    def settle(self, paths: list[str]) -> None:
        """Has moves to and from these paths on disk for good."""
        ...

    def writing(self) -> AbstractContextManager[Callable[[], None]]:
        """The lock between writers. Gives a function to call now and then while it is held.

        Raises StoreError if another writer keeps it too long.
        """
        ...

    def removing(self, patience_s: float = 0.0) -> AbstractContextManager[bool]:
        """Keeps readers out while files are removed; False if some are still reading after that time."""
        ...

    def reading(self) -> AbstractContextManager[None]:
        """Keeps files from being removed while they are read."""
        ...


def is_url(text: str) -> bool:
    """Whether a path names an object store and not a file or folder."""
    return _SCHEME.match(text) is not None


def without_secrets(url: str) -> str:
    """A URL as it may be shown: without user, password and options."""
    return re.sub(r"//[^/@]*@", "//", url.partition("?")[0])


def unusable(name: str, error: Exception) -> StoreError:
    """The one line for a store that cannot be reached, read or written."""
    reason = getattr(error, "strerror", None) or (str(error).splitlines() or [type(error).__name__])[0]
    return StoreError(
        f"the store cannot be used ({reason})",
        file=without_secrets(name) if is_url(name) else name,
        advice="check the path, its permissions and the space left",
    )


@contextmanager
def failures_named(backend: StorageBackend) -> Iterator[None]:
    """Turns the errors of a filesystem into StoreError."""
    import pyarrow as pa

    try:
        yield
    except (OSError, pa.ArrowException) as error:
        raise unusable(backend.name, error) from error


def free_octets(backend: StorageBackend) -> int | None:
    """Space left where a store lies; None where there is no telling."""
    root = getattr(backend, "root", None)
    if root is None:
        return None
    status = os.statvfs(root)
    return status.f_bavail * status.f_frsize
