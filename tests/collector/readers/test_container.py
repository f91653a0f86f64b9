"""What a file is, told by its content."""

from __future__ import annotations

import random

import pytest

from flowdiag.collector.readers.inputs import SideFileError
from flowdiag.errors import ExportError

from .builders import ipfix, netflow5, netflow9, payloads, read


@pytest.mark.parametrize(
    ("octets", "what"),
    [
        (b"", "the file is empty"),
        (b"time,source,destination\n1,192.0.2.1,192.0.2.2\n", "a text file"),
        ("größer\n".encode(), "a text file"),
        (random.Random(1).randbytes(300_000), "not a flow export"),
        (bytes(100_000), "not a flow export"),
        (b"\x89PNG\r\n\x1a\n" + bytes(1_000), "not a flow export"),
        (b"\x00", "not a flow export"),
    ],
)
def test_what_is_no_export_is_one_clear_line(octets: bytes, what: str) -> None:
    with pytest.raises(ExportError) as raised:
        read(octets)
    text = str(raised.value)
    assert text.startswith("file at octet 0: ")
    assert what in text
    assert "expected pcap, pcapng, IPFIX, NetFlow v9 or v5 messages" in text
    assert "\n" not in text


@pytest.mark.parametrize("octets", [b'# a profile\n[site]\nname = "x"\n', b'{"schema": "flowdiag.note/1"}'])
def test_a_profile_or_result_is_told_apart_from_foreign_text(octets: bytes) -> None:
    with pytest.raises(SideFileError):
        read(octets)


@pytest.mark.parametrize("message", [ipfix(), netflow9(), netflow5()])
def test_one_message_is_enough(message: bytes) -> None:
    assert payloads(message) == [message]


def test_a_file_that_ends_inside_its_first_message_holds_none() -> None:
    assert payloads(ipfix()[:-1]) == []


def test_an_ipfix_header_alone_is_a_message() -> None:
    # RFC 7011 3: a message without sets is legal.
    assert payloads(ipfix(0)[:2] + b"\x00\x10" + bytes(12)) == [ipfix(0)[:2] + b"\x00\x10" + bytes(12)]
