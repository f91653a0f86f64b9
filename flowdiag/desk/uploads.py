"""Exports that people uploaded: each in a private folder of its own, and gone soon.

Facts the design follows:
- an export tells who talked with whom, so nothing of one stays: it goes when whoever brought it is done, signs out or leaves
  the page, after a time without use, and when the desk stops; what a desk that was killed left goes when the next begins;
- an upload is its session's alone: nobody else has its address, and who has it still needs the session;
- what people send is bounded in number and in octets, for each of them and for all.
"""

from __future__ import annotations

import asyncio
import os
import secrets
import shutil
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any, Final

from msgspec import Struct, field

from flowdiag.desk.refusal import Refused
from flowdiag.text.escape import terminal
from flowdiag.text.wording.desk import upload as wording

FILE_NAME: Final = "export"  # on disk, whatever it was called
KEPT_S: Final = 30 * 60.0  # without use
LEFT_S: Final = 60.0  # after its page was left; time enough to come back to it
MOST_OF_ONE: Final = 2  # uploads at once of one session
MOST: Final = 16
MOST_TIMES: Final = 4  # octets of all, as times the largest
LEAST_FREE: Final = 256 << 20  # octets that stay free where uploads lie
LONGEST_NAME: Final = 80
_OCTETS: Final = 24
_LOOKED_AT_EVERY_S: Final = 2.0
_PRIVATE: Final = 0o700


class Upload(Struct, eq=False):
    """owner: key of the session; name: as people see it; until: of time.monotonic(); questions: keys of what was asked about
    it; is_left: its page was left, and nobody has come
    back; wanted: the question whose answer its note is; typed: into the form about it; faults: of that, by field."""

    key: str
    owner: str
    folder: Path
    name: str
    until: float
    octets: int = 0
    is_left: bool = False
    questions: set[str] = field(default_factory=set)
    wanted: Any = None
    site: str | None = None
    typed: dict[str, str] = field(default_factory=dict)
    faults: dict[str, str] = field(default_factory=dict)

    @property
    def address(self) -> str:
        return f"/upload/{self.key}"

    @property
    def file(self) -> Path:
        return self.folder / FILE_NAME


class Uploads:
    """Used from one event loop. folder: where they lie, which is nobody else's; largest: octets of one; forget: called with the
    key of each question about an upload that goes."""

    def __init__(self, folder: Path, largest: int, forget: Callable[[str], None]) -> None:
        self._folder, self.largest, self._forget = folder, largest, forget
        self._uploads: dict[str, Upload] = {}
        self._left: list[Path] = []  # folders of uploads that are over, until nothing is in them any more
        self._watching: asyncio.Task[None] | None = None
        shutil.rmtree(folder, ignore_errors=True)

    def begin(self, owner: str, name: str) -> Upload:
        """An upload without octets; the oldest that the session has left makes room where there is need. Raises Refused where
        there are too many."""
        own = [upload for upload in self._uploads.values() if upload.owner == owner]
        over = next((upload for upload in own if upload.is_left), None)
        if over is not None and (len(own) >= MOST_OF_ONE or len(self._uploads) >= MOST):
            self.end(over)
            own.remove(over)
        if len(own) >= MOST_OF_ONE or len(self._uploads) >= MOST:
            raise Refused(429, wording.TOO_MANY)
        key = secrets.token_urlsafe(_OCTETS)
        folder = self._folder / key
        self._folder.mkdir(_PRIVATE, parents=True, exist_ok=True)
        folder.mkdir(_PRIVATE)
        upload = Upload(key, owner, folder, shown_name(name), time.monotonic() + KEPT_S)
        self._uploads[key] = upload
        if shutil.disk_usage(folder).free < LEAST_FREE:
            self.end(upload)
            raise Refused(507, wording.NO_ROOM)
        if self._watching is None or self._watching.done():
            self._watching = asyncio.get_running_loop().create_task(self._watch())
        return upload

    def grow(self, upload: Upload, octets: int) -> None:
        """So many octets more of it are to be written. Raises Refused where that is too much."""
        upload.octets += octets
        if upload.octets > self.largest:
            raise Refused(413, wording.too_large(self.largest))
        if sum(one.octets for one in self._uploads.values()) > MOST_TIMES * self.largest:
            raise Refused(507, wording.NO_ROOM)

    def get(self, owner: str, key: str) -> Upload | None:
        """The session's upload of that key, which is in use now."""
        upload = self._uploads.get(key)
        if upload is None or upload.owner != owner or upload.until < time.monotonic():
            return None
        upload.until, upload.is_left = time.monotonic() + KEPT_S, False
        return upload

    def leave(self, upload: Upload) -> None:
        """Its page was left: it goes unless somebody comes back to it soon."""
        upload.until, upload.is_left = min(upload.until, time.monotonic() + LEFT_S), True

    def end(self, upload: Upload) -> None:
        """Nothing of it stays."""
        self._uploads.pop(upload.key, None)
        for question in upload.questions:
            self._forget(question)
        self._left.append(upload.folder)
        self._remove()

    def end_all(self, owner: str) -> None:
        """The session is over."""
        for upload in [one for one in self._uploads.values() if one.owner == owner]:
            self.end(upload)

    def close(self) -> None:
        self._uploads.clear()
        shutil.rmtree(self._folder, ignore_errors=True)

    def _remove(self) -> None:
        """A process that still reads one may write into its folder until it has ended, so it may need another time."""
        for folder in self._left:
            shutil.rmtree(folder, ignore_errors=True)
        self._left = [folder for folder in self._left if folder.exists()]

    async def _watch(self) -> None:
        while self._uploads or self._left:
            await asyncio.sleep(_LOOKED_AT_EVERY_S)
            now = time.monotonic()
            for upload in [one for one in self._uploads.values() if one.until < now]:
                self.end(upload)
            self._remove()


def opened_new(upload: Upload) -> int:
    """A descriptor to write the upload's octets to; it must not be there yet."""
    return os.open(upload.file, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)


def shown_name(given: str) -> str:
    """What a browser says that the file is called, without folders and of some length."""
    return terminal(given.replace("\\", "/").rpartition("/")[2], longest=LONGEST_NAME).strip() or FILE_NAME
