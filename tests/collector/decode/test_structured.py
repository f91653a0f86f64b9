"""Structured data (RFC 6313): walked right, told to options, passed over soundly in flows."""

from __future__ import annotations

import struct

import pytest

from tests.collector.decode.wire import FLOW_FIELDS, a_set, decode, flow, ipfix, options_template, template

NAME = b"\x03wan"


def multi(*groups: tuple[int, bytes]) -> bytes:
    """A subTemplateMultiList (RFC 6313 4.5.3)."""
    return b"\x03" + b"".join(struct.pack("!HH", number, 4 + len(body)) + body for number, body in groups)


LISTS = {
    # semantic, element, its length, values (4.5.1)
    "basicList of fixed elements": (291, b"\x03\0\x0a\0\4" + struct.pack("!II", 7, 8)),
    "basicList of an enterprise's elements": (291, b"\x03\x80\x05\0\2" + struct.pack("!I", 32473) + b"abcd"),
    "basicList that is empty": (291, b"\x03\0\x0a\0\4"),
    # semantic, template, records (4.5.2)
    "subTemplateList": (292, b"\x03\x01\x01" + struct.pack("!I", 7) + NAME),
    "subTemplateList of an unknown template": (292, b"\x03\x09\x09" + bytes(7)),
    "subTemplateMultiList": (
        293,
        multi((257, struct.pack("!I", 7) + NAME), (257, struct.pack("!I", 8) + NAME)),
    ),
    "subTemplateMultiList with an empty group of length 0": (293, b"\x03" + bytes([1, 1, 0, 0])),
    "a list that contradicts itself": (293, b"\x03\x01\x01\xff\xff\0"),
}


@pytest.mark.parametrize(("element", "octets"), LISTS.values(), ids=LISTS)
@pytest.mark.parametrize("prefix", ["short", "long"])
def test_a_list_in_a_flow_record_changes_nothing_of_the_flow(
    element: int, octets: bytes, prefix: str
) -> None:
    # Lists may come with the long length prefix whatever their length (RFC 6313 5.1).
    length = bytes([len(octets)]) if prefix == "short" else b"\xff" + struct.pack("!H", len(octets))
    inner = a_set(2, template(257, ((10, 4), (82, 65535))))
    fields = a_set(2, template(256, (*FLOW_FIELDS[:4], (element, 65535), *FLOW_FIELDS[4:])))
    records = [flow(n)[:12] + length + octets + flow(n)[12:] for n in (1, 2, 3)]
    decoded = decode(ipfix(inner, fields, a_set(256, *records)))
    assert decoded.column("octets") == [100, 200, 300]
    assert decoded.problems == []


@pytest.mark.parametrize("name", ["subTemplateList", "subTemplateMultiList"])
def test_values_within_lists_are_told_to_options(name: str) -> None:
    element, octets = LISTS[name]
    inner = a_set(2, template(257, ((10, 4), (82, 65535))))
    told = a_set(3, options_template(300, ((149, 4), (element, 65535))))
    decoded = decode(ipfix(inner, told, a_set(300, bytes(4) + bytes([len(octets)]) + octets)))
    found = {index: interface.name for (_, index), interface in decoded.report.interfaces.items()}
    assert found == ({7: "wan"} if element == 292 else {7: "wan", 8: "wan"})


def test_a_list_may_have_a_fixed_length() -> None:
    octets = LISTS["subTemplateList"][1]
    inner = a_set(2, template(257, ((10, 4), (82, 65535))))
    told = a_set(3, options_template(300, ((149, 4), (292, len(octets)))))
    decoded = decode(ipfix(inner, told, a_set(300, (bytes(4) + octets) * 2)))
    assert [interface.name for interface in decoded.report.interfaces.values()] == ["wan"]
    assert decoded.report.sessions[0].option_records == 2


def test_a_list_of_values_without_octets_ends() -> None:
    octets = b"\x03\0\x0a\0\0" + bytes(50)
    told = a_set(3, options_template(300, ((10, 4), (82, 4), (291, len(octets)))))
    decoded = decode(ipfix(told, a_set(300, struct.pack("!I", 3) + b"wan\0" + octets)))
    assert [interface.name for interface in decoded.report.interfaces.values()] == ["wan"]


def test_lists_whose_element_is_a_list_by_its_type_are_walked() -> None:
    # Element 443 (RFC 8038 11.2) is a subTemplateList under another name.
    octets = b"\x03\x01\x01" + struct.pack("!I", 9)
    inner = a_set(2, template(257, ((10, 4),)))
    told = a_set(3, options_template(300, ((82, 4), (443, len(octets)))))
    decoded = decode(ipfix(inner, told, a_set(300, b"wan\0" + octets)))
    assert [index for _, index in decoded.report.interfaces] == [9]
