"""Values of options records by themselves: which of several counts, lengths, names, applications."""

from __future__ import annotations

import struct

import pytest

from flowdiag.collector.decode.limits import Limits
from flowdiag.collector.decode.options import application_of, text
from tests.collector.decode.wire import a_set, decode, flow, ipfix, options_template, template, with_template


@pytest.mark.parametrize(
    ("octets", "length", "name"),
    [
        (b"uplink", 6, "uplink"),
        (b"uplink", 5, "uplin"),
        (b"uplink\0\0", 9, "uplink"),
        (b" uplink ", 9, "uplink"),
        ("Büro".encode(), 2, "B"),  # the cut goes through the ü
        ("Büro".encode(), 3, "Bü"),
        (b"B\xfc", 9, "B\ufffd"),
        (b"", 9, ""),
    ],
)
def test_a_name_is_cut_between_characters(octets: bytes, length: int, name: str) -> None:
    assert text(octets, length) == name


@pytest.mark.parametrize(
    ("octets", "application"),
    [
        (b"", None),
        (b"\x03", None),
        (b"\0\x01", None),  # engine 0 classifies nothing
        (b"\x03\x07", (3, 0, 7)),
        (b"\x03\x00\x50", (3, 0, 80)),
        (b"\x0d\x01\x02\x03", (13, 0, 0x010203)),
        (b"\x14\0\0\0\x09\x05", (20, 9, 5)),  # RFC 6759 4.1: with the enterprise's number in front
        (b"\x14\0\0\0\x09", (20, 0, 9)),  # too short for one
        (b"\x13\0\0\0\x09\x05", (19, 0, 0x0905)),
    ],
)
def test_an_application_is_an_engine_and_its_number(
    octets: bytes, application: tuple[int, int, int] | None
) -> None:
    """RFC 6759 4."""
    assert application_of(octets) == application


def told(
    *values: bytes, fields: tuple[tuple[int, int], ...], **limits: int
) -> tuple[dict[int, str], list[str]]:
    """Names of interfaces that options tell, and problems."""
    message = ipfix(a_set(3, options_template(300, fields)), a_set(300, *values))
    report = decode(message, limits=Limits(**limits)).report
    return {index: one.name for (_, index), one in report.interfaces.items()}, [
        one.what for one in report.problems
    ]


def test_of_a_name_that_stands_twice_the_first_counts_for_all_interfaces() -> None:
    names, _ = told(struct.pack("!II4s4s", 5, 6, b"one", b"two"), fields=((10, 4), (10, 4), (82, 4), (82, 4)))
    assert names == {5: "one", 6: "one"}


def test_as_many_records_of_a_set_as_may_be_are_read_without_a_word() -> None:
    records = [struct.pack("!I4s", index, b"name") for index in (1, 2, 3)]
    assert told(*records, fields=((10, 4), (82, 4)), options_records=3) == (
        {1: "name", 2: "name", 3: "name"},
        [],
    )
    names, problems = told(*records, fields=((10, 4), (82, 4)), options_records=2)
    assert names == {1: "name", 2: "name"}
    assert problems == ["options records beyond the number that is read in one data set were left out"]


def test_names_are_as_long_as_they_may_be() -> None:
    assert told(struct.pack("!I4s", 1, b"name"), fields=((10, 4), (82, 4)), name_length=3) == ({1: "nam"}, [])


def test_of_a_rate_that_stands_twice_the_first_counts() -> None:
    told_twice = a_set(3, options_template(300, ((149, 4), (34, 4), (34, 4))))
    message = ipfix(
        with_template(), told_twice, a_set(300, struct.pack("!III", 1, 10, 20)), a_set(256, flow())
    )
    assert decode(message).column("sampling") == [10]


def test_what_exporters_lost_is_noted_up_to_the_bound_of_problems() -> None:
    for bound in (1, 2, 3):
        lost = a_set(3, options_template(300, ((149, 4), (166, 8), (167, 8))))
        message = ipfix(lost, a_set(300, struct.pack("!IQQ", 1, 7, 9)))
        assert len(decode(message, limits=Limits(problems=bound)).report.notes) == min(bound, 2)


def test_frames_between_addresses_of_which_one_is_told_hold_ip() -> None:
    """A host without an address asks for one (RFC 2131 4.1): from 0.0.0.0 to 255.255.255.255. Elements 352 and 2 count."""
    fields = ((8, 4), (12, 4), (27, 16), (28, 16), (352, 8), (2, 4))
    ends = (bytes(8), bytes(4) + b"\xff" * 4, b"\xc0\x00\x02\x01" + bytes(4))
    records = [addresses + bytes(32) + struct.pack("!QI", 1000, 2) for addresses in ends]
    found = decode(ipfix(a_set(2, template(256, fields)), a_set(256, *records))).column("octets")
    assert found[0] == 0
    assert found[1] == found[2] != 0
