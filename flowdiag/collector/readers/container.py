"""What a file is, by its content and never by its name, and the reader for it.

| first octets | container |
|---|---|
| d4 c3 b2 a1, a1 b2 c3 d4, 4d 3c b2 a1, a1 b2 3c 4d | classic pcap |
| 0a 0d 0d 0a | pcapng |
| 00 0a, 00 09 or 00 05 and a plausible header, or damage with a sound message behind it | export messages |
| PAR1 | Parquet |
| those of gzip, bzip2, zstd | what is inside; compressed twice at most |

Several files one after another, as `cat` puts them, are read one after another, of whatever kind each is. Only
Parquet, whose index stands at its end, has to be a file of its own.
"""

from __future__ import annotations

import codecs
from collections.abc import Generator, Iterator
from typing import Final

from msgspec import Struct

from flowdiag.collector.datagram import Datagram
from flowdiag.collector.readers.beginnings import PARQUET, PCAP_MAGICS, PCAPNG_MAGIC
from flowdiag.collector.readers.compression import MAX_LAYERS, Decompressor
from flowdiag.collector.readers.compression_magics import compression_of
from flowdiag.collector.readers.framing import DAMAGED, MAX_MESSAGE, begins_ipfix_message, message_length
from flowdiag.collector.readers.inputs import SideFileError, is_side_file
from flowdiag.collector.readers.messages import find_message, read_messages
from flowdiag.collector.readers.packets import Dissector
from flowdiag.collector.readers.pcap import read_pcap
from flowdiag.collector.readers.pcapng import read_pcapng
from flowdiag.collector.readers.source import Source
from flowdiag.collector.readers.window import Octets, Window
from flowdiag.collector.run import Run
from flowdiag.errors import ExportError

# Enough to see a damaged first message, the one after it and the header that follows.
HEAD_OCTETS: Final = 2 * MAX_MESSAGE + 4
TEXT_SAMPLE_OCTETS: Final = 4_096

IPFIX_VERSION: Final = b"\x00\x0a"
EXPECTED: Final = (
    "pcap, pcapng, IPFIX, NetFlow v9 or v5 messages, or flowdiag's own Parquet; plain, gzip, bzip2 or zstd"
)
ADVICE: Final = "give the file that the collector or the packet capture wrote"


# Compressed files behind plain ones in one stream: each is taken out of what is left of the one before.
MAX_ALTERNATIONS: Final = 32


class Messages(Struct, frozen=True):
    """A container of export messages, for the decoder. kind: its name for error messages; datagrams: runs of them
    too."""

    kind: str
    datagrams: Iterator[Datagram | Run]


class Flows(Struct, frozen=True):
    """A container of flow records that were decoded before, for read_parquet."""

    window: Window
    source: Source


def open_container(octets: Octets, source: Source, dissector: Dissector) -> Messages | Flows:
    """The contents of a file, recognised by its first octets and not read further yet.

    Raises ExportError if it is empty, text, compressed too often, or nothing that flowdiag reads.
    """
    return contents_of(unpacked(octets, source), source, dissector)


def unpacked(octets: Octets, source: Source, base: int = 0) -> Window:
    """A file's octets, decompressed. base: the offset that its first octet has in messages to the user.

    Raises ExportError if it is compressed too often or to nothing.
    """
    window = Window(octets, source.name)
    window.fill(HEAD_OCTETS)
    layers = 0
    while kind := compression_of(window.data):
        layers += 1
        if layers > MAX_LAYERS:
            raise ExportError(
                f"compressed more than {MAX_LAYERS} times",
                file=source.name,
                expected=EXPECTED,
                advice="decompress it first",
            )
        window = Window(Decompressor(kind, window, source), source.name)
        window.fill(HEAD_OCTETS)
        if not window.data:
            raise ExportError(
                f"nothing could be decompressed from its {kind} data",
                file=source.name,
                offset=base,
                expected=f"sound {kind} data",
                advice="copy the file again",
            )
    window.base += base
    return window


def contents_of(window: Window, source: Source, dissector: Dissector) -> Messages | Flows:
    """The contents of a file that is not compressed, or not any more, and of those behind it. Raises ExportError."""
    window.fill(HEAD_OCTETS)
    if window.data.startswith(PARQUET):
        return Flows(window, source)
    kind, datagrams = _reader(window, source, dissector)
    return Messages(kind, _one_after_another(datagrams, window, source, dissector))


def _reader(
    window: Window, source: Source, dissector: Dissector
) -> tuple[str, Generator[Datagram | Run, None, bool]]:
    """The kind of file that begins where the window stands, and its messages. Raises ExportError."""
    window.fill(HEAD_OCTETS)
    head = window.data
    if head[:4] in PCAP_MAGICS:
        return "capture", read_pcap(window, source, dissector)
    if head.startswith(PCAPNG_MAGIC):
        return "capture", read_pcapng(window, source, dissector)
    if head.startswith(PARQUET) and window.base:
        raise ExportError(
            "flow records in Parquet begin here, behind another file",
            file=source.name,
            offset=window.base,
            expected="captures and export messages one after another",
            advice="give the Parquet file by itself",
        )
    if _holds_message(window):
        return "file of export messages", read_messages(window, source)
    raise _unusable(head, source, window.base)


def _one_after_another(
    messages: Generator[Datagram | Run, None, bool], window: Window, source: Source, dissector: Dissector
) -> Iterator[Datagram | Run]:
    """The messages of a file, of which the first reader is given, and of the files behind it in the stream."""
    alternations = 0
    while (yield from messages):
        source.next_part()
        window.fill(HEAD_OCTETS)
        if compression_of(window.data):
            alternations += 1
            if alternations > MAX_ALTERNATIONS:
                raise ExportError(
                    f"plain and compressed files take turns more than {MAX_ALTERNATIONS} times",
                    file=source.name,
                    offset=window.base,
                    advice="give the files one by one",
                )
            window = unpacked(window, source, window.base)
        _, messages = _reader(window, source, dissector)


def _holds_message(window: Window) -> bool:
    data, end, final = window.data, len(window.data), window.ended
    if end >= 4 and data[:2] != IPFIX_VERSION and message_length(data, 0, end, final=final) != DAMAGED:
        return True
    if begins_ipfix_message(data, 0, end):
        return True
    found, certain = find_message(data, 0, end, final=final)
    return certain and found < end


def _unusable(head: bytes, source: Source, offset: int) -> ExportError:
    sample = head[:TEXT_SAMPLE_OCTETS]
    if is_side_file(sample):
        return SideFileError(
            "this is a site profile or a result of flowdiag, not a flow export",
            file=source.name,
            offset=offset,
            expected=EXPECTED,
            advice=ADVICE,
        )
    if not sample:
        what = "the file is empty"
    elif _is_text(sample):
        what = "this is a text file, not a flow export"
    else:
        what = "this is not a flow export"
    return ExportError(what, file=source.name, offset=offset, expected=EXPECTED, advice=ADVICE)


def _is_text(sample: bytes) -> bool:
    try:
        # An incremental decoder, since the sample may end inside a character.
        codecs.getincrementaldecoder("utf-8")().decode(sample)
    except UnicodeDecodeError:
        return False
    return not any(octet < 32 and octet not in b"\t\n\v\f\r\x1b" for octet in sample)
