"""Lists within records at the bounds of their depth and number of values, read by hand-made templates (RFC 6313)."""

from __future__ import annotations

import struct
from typing import Any

import pytest

from flowdiag.collector.decode.cursor import Cursor
from flowdiag.collector.decode.layout import VARIABLE
from flowdiag.collector.decode.limits import Limits
from flowdiag.collector.decode.malformed import Malformed
from flowdiag.collector.decode.structured import ListValue, RecordReader, flattened
from flowdiag.collector.decode.templates import Field, Template

BASIC, SUB, MULTI = 291, 292, 293
INDEX = Template(257, (Field(10, 0, 4),))


def read(
    fields: tuple[Field, ...], octets: bytes, known: dict[int, Template] | None = None, **limits: int
) -> list[Any]:
    """Values of the records of a data set."""
    reader = RecordReader((known or {257: INDEX}).get, Limits(**limits))
    found = reader.records(Cursor(octets), Template(300, fields))
    return [[value for _, value in record] for record in found]


def one_list(element: int, octets: bytes, **more: Any) -> Any:
    ((value,),) = read((Field(element, 0, len(octets)),), octets, **more)
    return value


def plain(value: ListValue) -> list[tuple[int, int, int, bytes]]:
    """Element, enterprise, length and octets of each value of a list of plain ones."""
    found = [pair for record in value.records for pair in record]
    return [(field.id, field.enterprise, field.length, octets) for field, octets in found]  # type: ignore[misc]


def test_a_basic_list_has_values_of_one_element() -> None:
    value = one_list(BASIC, b"\x03\x00\x0a\x00\x02" + b"abcd")
    assert (value.semantic, plain(value)) == (3, [(10, 0, 2, b"ab"), (10, 0, 2, b"cd")])
    own = one_list(BASIC, b"\xff\x80\x05\x00\x03" + struct.pack("!I", 32473) + b"abc")
    assert (own.semantic, plain(own)) == (255, [(5, 32473, 3, b"abc")])
    varying = one_list(BASIC, b"\x00\x00\x52\xff\xff" + b"\x01a\x02bc")
    assert plain(varying) == [(82, 0, VARIABLE, b"a"), (82, 0, VARIABLE, b"bc")]
    assert one_list(BASIC, b"\x01\x00\x0a\x00\x00") == ListValue(1, ())


@pytest.mark.parametrize(
    ("element", "octets"),
    [
        (BASIC, b"\x03\x00\x0a\x00\x00a"),  # values without octets would never end
        (BASIC, b"\x03\x00\x0a\x00\x02abc"),
        (BASIC, b"\x03\x00\x0a\x00"),
        (BASIC, b"\x03\x80\x05\x00\x03\x00"),
        (SUB, b"\x03\x01"),
        (SUB, b"\x03\x09\x09abcd"),
        (MULTI, b"\x03\x01\x01\x00\x09abcd"),
        (MULTI, b"\x03\x09\x09\x00\x08abcd"),
        (MULTI, b"\x03\x01\x01\x00"),
    ],
)
def test_a_list_that_cannot_be_read_is_its_octets(element: int, octets: bytes) -> None:
    assert one_list(element, octets) == octets


def test_a_list_of_records_ends_where_no_further_one_fits() -> None:
    assert plain(one_list(SUB, b"\x03\x01\x01" + b"aaaabbbbccc")) == [
        (10, 0, 4, b"aaaa"),
        (10, 0, 4, b"bbbb"),
    ]
    assert one_list(SUB, b"\x03\x01\x01") == ListValue(3, ())


@pytest.mark.parametrize("length", [0, 3, 4])
def test_a_group_without_records_is_passed_over_whatever_its_length_says(length: int) -> None:
    groups = struct.pack("!HH", 257, length) + struct.pack("!HH", 257, 8) + b"abcd"
    assert plain(one_list(MULTI, b"\x03" + groups)) == [(10, 0, 4, b"abcd")]


def nested(depth: int) -> bytes:
    """A basicList of one basicList and so on, with an interface index in the innermost."""
    octets = b"\x03\x00\x0a\x00\x04" + b"\0\0\0\x07"
    for _ in range(depth - 1):
        octets = b"\x03\x01\x23" + struct.pack("!H", len(octets)) + octets
    return octets


@pytest.mark.parametrize("bound", [1, 2, 3])
def test_lists_are_read_as_deep_as_they_may_be(bound: int) -> None:
    for depth in (1, 2, 3, 4):
        ((_, value),) = RecordReader({}.get, Limits(list_depth=bound)).records(
            Cursor(b"\0" + nested(depth)),
            Template(300, (Field(4, 0, 1), Field(BASIC, 0, len(nested(depth))))),
        )
        innermost = list(flattened((value,)))[-1]
        assert (innermost[0].id == 10) == (depth <= bound)
        assert innermost[1] == (b"\0\0\0\x07" if depth <= bound else nested(depth - bound))


@pytest.mark.parametrize(("bound", "fits"), [(3, True), (2, False)])
def test_each_record_has_as_many_values_as_it_may(bound: int, fits: bool) -> None:
    """A list and its two values are three; the next record counts anew."""
    octets = b"\x03\x00\x0a\x00\x02" + b"abcd"
    field = Field(BASIC, 0, len(octets))
    found = read((field,), octets * 2, record_values=bound)
    assert [isinstance(value, ListValue) for (value,) in found] == [fits, fits]
    plain_fields = (Field(4, 0, 1),) * 3
    if fits:
        assert len(read(plain_fields, bytes(6), record_values=bound)) == 2
    else:
        with pytest.raises(Malformed, match="too many values"):
            read(plain_fields, bytes(6), record_values=bound)


def test_values_stand_in_order_with_those_of_lists_where_these_stand() -> None:
    octets = b"a" + b"\x03\x00\x0a\x00\x01" + b"bc" + b"d"
    fields = (Field(4, 0, 1), Field(BASIC, 0, 7), Field(5, 0, 1))
    (record,) = RecordReader({}.get, Limits()).records(Cursor(octets), Template(300, fields))
    assert [(field.id, value) for field, value in flattened(record)] == [
        (4, b"a"), (10, b"b"), (10, b"c"), (5, b"d")
    ]  # fmt: skip


def test_a_list_of_another_enterprises_element_is_octets() -> None:
    octets = b"\x03\x00\x0a\x00\x01b"
    assert read((Field(BASIC, 9, len(octets)),), octets) == [[octets]]
