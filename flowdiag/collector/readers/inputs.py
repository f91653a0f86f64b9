"""The files an export consists of: paths, folders, stores and standard input turned into a list of inputs, in order.

Facts the design follows:
- folders are walked in sorted order, so that the same folder always reads the same;
- names that start with a dot or an underscore are not exports: the convention of file systems and of
  partitioned Parquet folders (catalogues, spools, files being written);
- links to folders are followed once per folder, so that a loop of links ends.
"""

from __future__ import annotations

import os
import stat
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import IO, Final

from msgspec import Struct

from flowdiag.collector.readers.window import Octets
from flowdiag.errors import ExportError

# A folder with more files than this was given by mistake (a home directory, a mail store).
MAX_FILES: Final = 100_000

# The file that makes a folder a flow store (collector/store/layout.py).
STORE_MARKER: Final = "_flowdiag/store.json"
_STORE_URL: Final = "://"

STANDARD_INPUT: Final = "-"
STANDARD_INPUT_NAME: Final = "standard input"

# Text that only flowdiag's own files hold: a site profile, a note or the result of another command.
_SIDE_MARKS: Final = (b"[site]", b'"schema": "flowdiag.', b'"schema":"flowdiag.')

Progress = Callable[[int, int], None]  # octets read so far, octets in all (0 if unknown)


class SideFileError(ExportError):
    """A file that is no export but one of flowdiag's own; in a folder it is passed over in silence."""


class Input(Struct, frozen=True):
    """One file to read. path None is standard input.

    folder: the folder it was found in, if it was not named itself; store: the address of a flow store, which is
    read as one.
    """

    name: str
    path: Path | None
    folder: str | None = None
    octets: int = 0
    store: str | None = None

    @contextmanager
    def open(self, count: Callable[[int], None]) -> Iterator[Octets]:
        """The input's octets; count is called with each read's octets.

        Raises ExportError if it cannot be opened.
        """
        if self.path is None:
            yield _Counted(sys.stdin.buffer, count)
            return
        try:
            file = self.path.open("rb", buffering=0)
        except OSError as error:
            raise unreadable(self.name, error) from error
        with file:
            yield _Counted(file, count)


class _Counted:
    def __init__(self, file: IO[bytes], count: Callable[[int], None]) -> None:
        self._file = file
        self._count = count

    def read(self, size: int, /) -> bytes:
        octets = self._file.read(size)
        self._count(len(octets))
        return octets


def find_inputs(paths: Sequence[str | Path]) -> list[Input]:
    """The inputs that paths name, in the order given, folders in sorted order of their relative paths.

    Raises ExportError for a path that does not exist or cannot be looked at, for a folder without files, and
    for one with more than MAX_FILES.
    """
    inputs: list[Input] = []
    for path in paths:
        if str(path) == STANDARD_INPUT:
            inputs.append(Input(STANDARD_INPUT_NAME, None))
            continue
        if _STORE_URL in str(path):
            inputs.append(Input(str(path), None, store=str(path)))
            continue
        path = Path(path)
        try:
            status = path.stat()
        except (OSError, ValueError) as error:
            raise unreadable(str(path), error) from error
        if is_store(path):
            inputs.append(Input(str(path), path, store=str(path)))
        elif stat.S_ISDIR(status.st_mode):
            inputs.extend(_in_folder(path))
        else:
            inputs.append(Input(str(path), path, octets=status.st_size))
    return inputs


def is_store(path: str | Path) -> bool:
    """Whether a path is that of a flow store: the address of an object store, or a folder with a store's marker."""
    try:
        return _STORE_URL in str(path) or (Path(path) / STORE_MARKER).is_file()
    except (OSError, ValueError):  # no name that a file can have, which is said when it is opened
        return False


def is_side_file(head: bytes) -> bool:
    """Whether a file that is no export is one of flowdiag's own.

    A profile or a result kept beside the export.
    """
    return any(mark in head for mark in _SIDE_MARKS)


def unreadable(name: str, error: OSError | ValueError) -> ExportError:
    if isinstance(error, FileNotFoundError):
        return ExportError("no such file or folder", file=name, advice="check the path")
    reason = getattr(error, "strerror", None) or str(error)
    return ExportError(f"cannot be read ({reason})", file=name, advice="check the path and its permissions")


def _in_folder(folder: Path) -> list[Input]:
    found = sorted(_walk(folder, set()), key=lambda path: path.relative_to(folder).parts)
    if not found:
        raise ExportError(
            "the folder holds no files", file=str(folder), expected="flow exports", advice="check the path"
        )
    return [Input(str(path), path, str(folder), _size(path)) for path in found]


def _size(path: Path) -> int:
    try:
        return path.stat().st_size
    except OSError:
        return 0


def _walk(folder: Path, visited: set[tuple[int, int]]) -> list[Path]:
    """The regular files below a folder, without the hidden ones; a folder reached twice is read once.

    A folder inside that cannot be looked into stands for itself, so that it is noted when it is opened.
    """
    files: list[Path] = []
    waiting = [folder]
    while waiting:
        current = waiting.pop()
        try:
            status = current.stat()
            if (status.st_dev, status.st_ino) in visited:
                continue
            visited.add((status.st_dev, status.st_ino))
            entries = sorted(os.scandir(current), key=lambda entry: entry.name)
        except OSError as error:
            if current == folder:
                raise unreadable(str(current), error) from error
            files.append(current)  # opening it fails again and says so
            continue
        folders: list[Path] = []
        for entry in entries:
            if entry.name.startswith((".", "_")):
                continue
            path = Path(entry.path)
            if path.is_dir():
                folders.append(path)
            elif path.is_file():
                files.append(path)
        waiting.extend(reversed(folders))
        if len(files) > MAX_FILES:
            raise ExportError(
                f"the folder holds more than {MAX_FILES} files",
                file=str(folder),
                advice="name the exports themselves",
            )
    return files
