"""The first pass over the inputs of `flowdiag ingest`: what each is, and what those that follow must know of it.

Facts the design follows:
- whether an export is in the store already is known by its content, after decompression: a capture that was
  compressed, moved or renamed since is the same export;
- captures of one exporter follow each other, and only the first may hold the templates. This pass reads no flows, so
  it costs little (a tenth of decoding), and what it keeps lets all files be decoded at the same time.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from itertools import chain
from typing import Final

from msgspec import Struct

from flowdiag.collector.decode.malformed import Malformed
from flowdiag.collector.decode.messages import read_header
from flowdiag.collector.knowledge import Knowledge
from flowdiag.collector.readers.container import Flows, contents_of, unpacked
from flowdiag.collector.readers.inputs import Input
from flowdiag.collector.readers.packets import Dissector
from flowdiag.collector.readers.source import Source
from flowdiag.collector.readers.window import CHUNK_OCTETS, Octets, Window
from flowdiag.collector.report import ExportReport
from flowdiag.collector.run import one_by_one
from flowdiag.errors import ExportError

CAPTURE: Final = "capture"


class Scan(Struct, frozen=True):
    """What the first pass found out about an input."""

    item: Input
    digest: str = ""  # SHA-256 of the content, hexadecimal
    knowledge: Knowledge | None = None  # of a capture's messages, None for other files
    began_ms: int | None = None  # time of its first message, None if it has none or holds flow records
    error: ExportError | None = None  # why it cannot be used


class _Hashed:
    """Octets that are hashed as they are read."""

    def __init__(self, octets: Octets) -> None:
        self._octets = octets
        self.hash = hashlib.sha256()

    def read(self, size: int, /) -> bytes:
        octets = self._octets.read(size)
        self.hash.update(octets)
        return octets


def scan(item: Input, number: int, count: Callable[[int], None], *, alone: bool = False) -> Scan:
    """Reads an input once. count: called with each read's octets; alone: nothing follows that would have to know."""
    source = Source(item.name, number, ExportReport())

    try:
        with item.open(source.counting(count)) as octets:
            hashed = _Hashed(unpacked(octets, source))
            window = Window(hashed, item.name)
            contents = contents_of(window, source, Dissector())
            knowledge, began_ms = None, None
            if not isinstance(contents, Flows):
                datagrams = one_by_one(contents.datagrams)
                began = next(datagrams, None)
                if began is not None:
                    began_ms = _time_of(began.payload, began.time_ms)
                if contents.kind == CAPTURE and not alone:  # other files are sessions of their own
                    knowledge = Knowledge()
                    for datagram in chain([began] if began is not None else [], datagrams):
                        knowledge.see(datagram)
            while window.read(CHUNK_OCTETS):
                pass
    except ExportError as error:
        return Scan(item, error=error)
    return Scan(item, hashed.hash.hexdigest(), knowledge, began_ms)


def _time_of(payload: bytes, time_ms: int | None) -> int | None:
    if time_ms is not None:
        return time_ms
    try:
        return read_header(payload).export_ms
    except Malformed:
        return None
