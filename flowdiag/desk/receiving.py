"""A form with a file in it, as it comes (RFC 7578): fields into memory, the file straight to its private folder.

Facts the design follows:
- no length that a request states is believed: octets are counted as they come;
- the form's token stands before the file, so that of a form from elsewhere no octet of a file is taken.
"""

from __future__ import annotations

import asyncio
import os
from collections.abc import Callable
from typing import TYPE_CHECKING, Final

from python_multipart.exceptions import FormParserError
from python_multipart.multipart import MultipartParser, parse_options_header
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import FormData
from starlette.requests import ClientDisconnect, Request

from flowdiag.desk.refusal import Refused
from flowdiag.desk.uploads import Upload, Uploads, opened_new
from flowdiag.text.wording.desk import shell
from flowdiag.text.wording.desk import upload as wording

if TYPE_CHECKING:
    from python_multipart.multipart import MultipartCallbacks

MOST_PARTS: Final = 8
LARGEST_FIELD: Final = 4 << 10
LARGEST_HEADERS: Final = 4 << 10  # of one part
WRITTEN_AT_ONCE: Final = 1 << 20  # octets, by a thread, so that the disk keeps nobody else waiting
AROUND: Final = 64 << 10  # octets of a form beside its file


async def receive(
    request: Request, uploads: Uploads, owner: str, check: Callable[[object], None]
) -> tuple[FormData, Upload | None]:
    """The fields, and the file if there is one. check: raises Refused for a form token that is wrong. Raises Refused; then
    nothing of the file is left."""
    kind, options = parse_options_header(request.headers.get("content-type", ""))
    boundary = options.get(b"boundary")
    if kind != b"multipart/form-data" or not boundary:
        raise Refused(415, wording.NO_FORM)
    most = uploads.largest + AROUND
    length = request.headers.get("content-length", "0")
    if not length.isdigit() or int(length) > most:
        raise Refused(413, wording.too_large(uploads.largest))
    form = _Form(uploads, owner, check)
    taken = 0
    try:
        parser = MultipartParser(boundary, form.callbacks(), max_size=float("inf"))
        async for chunk in request.stream():
            taken += len(chunk)
            if taken > most:
                raise Refused(413, wording.too_large(uploads.largest))
            parser.write(chunk)
            await form.flush(WRITTEN_AT_ONCE)
        parser.finalize()
        await form.flush(0)
        if not form.is_whole:
            raise Refused(400, wording.BROKEN)
        check(form.fields.get("form_token"))
    except BaseException as error:
        form.give_up()
        if isinstance(error, FormParserError | ClientDisconnect):
            raise Refused(400, wording.BROKEN) from None
        if isinstance(error, OSError):
            raise Refused(507, wording.NO_ROOM) from None
        raise
    form.close()
    return FormData(form.fields), form.upload


def _write(file: int, data: bytearray) -> None:
    left = memoryview(data)
    while left:
        left = left[os.write(file, left) :]


class _Form:
    """What the parts of a form become."""

    def __init__(self, uploads: Uploads, owner: str, check: Callable[[object], None]) -> None:
        self._uploads, self._owner, self._check = uploads, owner, check
        self.fields: dict[str, str] = {}
        self.upload: Upload | None = None
        self.is_whole = False
        self._parts = 0
        self._header: tuple[bytearray, bytearray] = (bytearray(), bytearray())
        self._headers: dict[bytes, bytes] = {}
        self._name = ""
        self._value = bytearray()
        self._file: int | None = None
        self._pending = bytearray()
        self._is_file = False

    def callbacks(self) -> MultipartCallbacks:
        return {
            "on_part_begin": self._part_begin,
            "on_header_field": lambda data, start, end: self._add(0, data[start:end]),
            "on_header_value": lambda data, start, end: self._add(1, data[start:end]),
            "on_header_end": self._header_end,
            "on_headers_finished": self._headers_finished,
            "on_part_data": lambda data, start, end: self._data(data[start:end]),
            "on_part_end": self._part_end,
            "on_end": self._end,
        }

    def _part_begin(self) -> None:
        self._parts += 1
        if self._parts > MOST_PARTS:
            raise Refused(413, shell.TOO_LARGE)
        self._headers, self._value = {}, bytearray()

    def _add(self, which: int, data: bytes) -> None:
        self._header[which].extend(data)
        if len(self._header[which]) + sum(map(len, self._headers.values())) > LARGEST_HEADERS:
            raise Refused(413, shell.TOO_LARGE)

    def _header_end(self) -> None:
        name, value = self._header
        self._headers[bytes(name).lower()] = bytes(value)
        self._header = (bytearray(), bytearray())

    def _headers_finished(self) -> None:
        _, options = parse_options_header(self._headers.get(b"content-disposition", b""))
        self._name = options.get(b"name", b"").decode(errors="replace")
        self._is_file = b"filename" in options
        if not self._is_file:
            return
        self._check(self.fields.get("form_token"))
        if self.upload is not None:
            raise Refused(400, wording.ONE_FILE)
        name = options[b"filename"].decode(errors="replace")
        self.upload = self._uploads.begin(self._owner, name)
        self._file = opened_new(self.upload)

    def _data(self, data: bytes) -> None:
        if self._is_file and self._file is not None and self.upload is not None:
            self._uploads.grow(self.upload, len(data))
            self._pending.extend(data)
            return
        self._value.extend(data)
        if len(self._value) > LARGEST_FIELD:
            raise Refused(413, shell.TOO_LARGE)

    def _part_end(self) -> None:
        if not self._is_file:
            self.fields[self._name] = self._value.decode(errors="replace")

    def _end(self) -> None:
        self.is_whole = True

    async def flush(self, least: int) -> None:
        """Writes what has come of the file, if that is more than so much; and lets others have their turn."""
        if self._file is None or len(self._pending) <= least:
            await asyncio.sleep(0)
            return
        data, self._pending = self._pending, bytearray()
        await run_in_threadpool(_write, self._file, data)

    def close(self) -> None:
        if self._file is not None:
            os.close(self._file)
            self._file = None

    def give_up(self) -> None:
        self.close()
        if self.upload is not None:
            self._uploads.end(self.upload)
