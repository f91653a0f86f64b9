"""Where a result goes: standard output, or a file that is there complete or not at all."""

from __future__ import annotations

import os
import stat
import sys
from collections.abc import Collection, Iterable, Iterator
from contextlib import suppress
from pathlib import Path
from typing import Final

import click

from flowdiag.cli.reaching import Reached, reached
from flowdiag.errors import FlowdiagError, UsageError

SUFFIXES: Final = {
    ".txt": "text",
    ".text": "text",
    ".md": "markdown",
    ".markdown": "markdown",
    ".html": "html",
    ".htm": "html",
    ".json": "json",
    ".csv": "csv",
    ".toml": "toml",
    ".xlsx": "xlsx",
}

ANOTHER: Final = "name another file"


def chosen_format(form: str | None, output: Path | None, formats: Collection[str]) -> str:
    """The format to write: what --format says, else what --output's suffix says, else the first of formats.

    Raises UsageError for a suffix that is none of the formats'.
    """
    if form is not None:
        return form
    default = next(iter(formats))
    if output is None or not output.suffix:
        return default
    found = SUFFIXES.get(output.suffix.lower())
    if found is None or found not in formats:
        known = [suffix for suffix, name in SUFFIXES.items() if name in formats]
        raise UsageError(
            f"the suffix {output.suffix} does not say in which form to write",
            file=str(output),
            expected=f"one of {', '.join(known)}, or --format",
        )
    return found


def check_suffix(option: str, output: Path | None, *suffixes: str) -> None:
    """Raises UsageError unless what an option names has a suffix that is written there, or none."""
    if output is not None and output.suffix.lower() not in ("", *suffixes):
        raise UsageError(
            f"{option} does not write {output.suffix}",
            file=str(output),
            expected=f"the suffix {' or '.join(suffixes)}",
        )


def spare_inputs(outputs: Iterable[Path | None], inputs: Iterable[str | Path | None]) -> None:
    """Raises UsageError if a result would overwrite an input or another result: by whatever path, link or name.

    inputs: files, folders with all below them, flow stores, "-" for standard input; None and addresses of other
    machines are passed over. What does not exist yet, and what is no regular file, overwrites nothing.
    """
    given = [path for path in inputs if path is not None]
    places: set[Path] = set()
    for output in outputs:
        if output is None:
            continue
        if output.resolve() in places:
            raise UsageError("two results would be written to one file", file=str(output), advice=ANOTHER)
        places.add(output.resolve())
        try:
            status = output.stat()
        except (OSError, ValueError):
            continue
        if not stat.S_ISREG(status.st_mode):
            continue
        wanted = status.st_dev, status.st_ino
        for path in given:
            if any(known == wanted for known in _files_of(path)):
                raise UsageError(
                    f"this would overwrite an input ({path})"
                    if str(path) != str(output)
                    else "this would overwrite the input",
                    file=str(output),
                    advice=ANOTHER,
                )


def _files_of(path: str | Path) -> Iterator[tuple[int, int]]:
    """Device and number of each file that a path names."""
    try:
        if str(path) == "-":
            status = os.fstat(sys.stdin.fileno())
        else:
            status = os.stat(path)
        yield status.st_dev, status.st_ino
        if stat.S_ISDIR(status.st_mode):
            for folder, _, names in os.walk(path, followlinks=False):
                for name in names:
                    with suppress(OSError):
                        inside = os.stat(os.path.join(folder, name))
                        yield inside.st_dev, inside.st_ino
    except (OSError, ValueError):  # it is said when the input is opened
        return


def write_result(text: str, output: Path | None) -> None:
    """Writes a result with one newline at its end. Raises FlowdiagError if the file cannot be written."""
    text = text if text.endswith("\n") else text + "\n"
    if output is None:
        click.echo(text, nl=False)
        return
    write_bytes(text.encode(), output)


def write_bytes(octets: bytes, output: Path) -> None:
    """Writes a result complete or not at all. A link stays one, and its target is replaced; what is no regular file (a
    device, a pipe) is written to as it is.

    Raises FlowdiagError for what the file system refuses, and where a link that others may have put there leads away.
    """
    try:
        with reached(output) as at:
            if at.status is None or stat.S_ISREG(at.status.st_mode):
                _replace(at, octets)
            else:
                descriptor = os.open(at.name, os.O_WRONLY | os.O_CLOEXEC, dir_fd=at.folder)
                with open(descriptor, "wb") as file:
                    file.write(octets)
    except OSError as error:
        raise FlowdiagError(
            f"cannot be written: {error.strerror or error}",
            file=str(output),
            advice="name a file in a folder that can be written to",
        ) from error


def _replace(at: Reached, octets: bytes) -> None:
    aside = f".flowdiag-{os.urandom(8).hex()}"
    flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW | os.O_CLOEXEC
    descriptor = os.open(aside, flags, 0o600, dir_fd=at.folder)
    try:
        with open(descriptor, "wb") as file:
            file.write(octets)
            os.fchmod(descriptor, _mode(at))
        os.replace(aside, at.name, src_dir_fd=at.folder, dst_dir_fd=at.folder)
    except BaseException:
        with suppress(OSError):
            os.unlink(aside, dir_fd=at.folder)
        raise


def _mode(at: Reached) -> int:
    """The permissions of the user's file to be replaced, or those that a new file would get."""
    if at.status is not None and at.status.st_uid == os.geteuid():
        return at.status.st_mode & 0o7777
    mask = os.umask(0)
    os.umask(mask)
    return 0o666 & ~mask
