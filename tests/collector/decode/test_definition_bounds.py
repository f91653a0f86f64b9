"""Definitions of templates read by themselves, octet by octet (RFC 7011 3.4, RFC 3954 5.2 and 6.1)."""

from __future__ import annotations

import struct
from typing import Any

import pytest

from flowdiag.collector.decode import ie
from flowdiag.collector.decode.cursor import Cursor
from flowdiag.collector.decode.elements import REVERSE
from flowdiag.collector.decode.layout import VARIABLE
from flowdiag.collector.decode.malformed import Malformed
from flowdiag.collector.decode.templates import (
    V9_SCOPE,
    Dropped,
    Field,
    Template,
    Withdrawal,
    ipfix_definitions,
    layout_of,
    netflow9_definitions,
)

IPFIX, NINE = ipfix_definitions, netflow9_definitions


def read(of: Any, *words: int, options: bool = False, behind: bytes = b"") -> list[Any]:
    octets = struct.pack(f"!{len(words)}H", *words) + behind
    return [
        (one.id, one.fields, one.scopes, one.options) if isinstance(one, Template) else one
        for one in of(Cursor(octets), options=options)
    ]


def plain(number: int, *fields: tuple[int, int]) -> tuple[int, tuple[Field, ...], int, bool]:
    return number, tuple(Field(field, 0, length) for field, length in fields), 0, False


@pytest.mark.parametrize("of", [IPFIX, NINE])
def test_definitions_follow_each_other_and_zeros_end_them(of: Any) -> None:
    both = [plain(256, (8, 4), (1, 8)), plain(257, (12, 4))]
    words = (256, 2, 8, 4, 1, 8, 257, 1, 12, 4)
    assert read(of, *words) == both
    assert read(of, *words, behind=b"\0\0\0") == both
    assert read(of, *words, 0, 0, 258, 1, 8, 4) == both
    assert read(of, 0, 1, 8, 4) == [Dropped(0, "an id below 256")]
    assert read(of, 255, 1, 8, 4, 256, 1, 8, 4) == [Dropped(255, "an id below 256"), plain(256, (8, 4))]
    for cut in ((256, 2, 8, 4), (256, 1, 8), (256, 1)):
        with pytest.raises(Malformed):
            read(of, *cut)


def test_an_enterprise_element_has_four_octets_more_in_ipfix_only() -> None:
    words = (256, 2, 0x8005, 4, 0x0001, 0x0002, 8, 4)
    fields = (Field(5, 0x0001_0002, 4), Field(8, 0, 4))
    assert read(IPFIX, *words) == [(256, fields, 0, False)]
    assert read(NINE, 256, 2, 0x8005, 4, 8, 4) == [plain(256, (0x8005, 4), (8, 4))]
    with pytest.raises(Malformed):
        read(IPFIX, 256, 1, 0x8005, 4, 1)


@pytest.mark.parametrize(
    ("length", "ipfix", "nine"),
    [
        (0, "records without octets", "records without octets"),
        (1, None, None),
        (65_531, None, None),
        (65_532, "records longer than any set", "a field longer than any set"),
        (VARIABLE, None, "a field longer than any set"),
    ],
)
def test_a_record_has_an_octet_and_fits_in_a_set(length: int, ipfix: str | None, nine: str | None) -> None:
    for of, why in ((IPFIX, ipfix), (NINE, nine)):
        found = read(of, 256, 1, 8, length)
        assert found == [plain(256, (8, length))] if why is None else found == [Dropped(256, why)]
    sum_of_two = [Dropped(256, "records longer than any set")]
    assert read(NINE, 256, 2, 8, 65_531, 4, 1) == read(IPFIX, 256, 2, 8, 65_531, 4, 1) == sum_of_two


def test_what_has_no_fields_withdraws_in_ipfix_and_is_nothing_in_netflow9() -> None:
    assert read(IPFIX, 256, 0, 257, 1, 8, 4) == [Withdrawal(256, False), plain(257, (8, 4))]
    assert read(IPFIX, 3, 0, options=True) == [Withdrawal(3, True)]  # four octets only
    assert read(NINE, 256, 0, 257, 1, 8, 4) == [Dropped(256, "no fields"), plain(257, (8, 4))]
    assert read(NINE, 256, 0, 0, options=True) == [Dropped(256, "no fields")]
    assert read(NINE, 0, 0, 0, 300, 4, 4, 1, 4, 34, 4, options=True) == []


@pytest.mark.parametrize(("scopes", "kept"), [(0, False), (1, True), (2, True), (3, False)])
def test_options_of_ipfix_have_a_scope_and_no_more_than_fields(scopes: int, kept: bool) -> None:
    found = read(IPFIX, 300, 2, scopes, 149, 4, 34, 4, 301, 1, 1, 149, 4, options=True)
    first = (300, (Field(149, 0, 4), Field(34, 0, 4)), scopes, True)
    assert found == [
        first if kept else Dropped(300, "no scopes, or more scopes than fields"),
        (301, (Field(149, 0, 4),), 1, True),
    ]


def test_options_of_netflow9_give_octets_of_scopes_and_of_options() -> None:
    fields = (Field(1, V9_SCOPE, 4), Field(2, V9_SCOPE, 2), Field(34, 0, 4))
    assert read(NINE, 300, 8, 4, 1, 4, 2, 2, 34, 4, options=True) == [(300, fields, 2, True)]
    assert read(NINE, 300, 0, 4, 34, 4, options=True) == [(300, (Field(34, 0, 4),), 0, True)]
    assert read(NINE, 300, 4, 0, 1, 4, options=True) == [(300, (Field(1, V9_SCOPE, 4),), 1, True)]
    assert read(NINE, 300, 4, options=True) == []  # six octets are a head, four are padding
    for odd in ((6, 4), (4, 6), (4, 1)):
        with pytest.raises(Malformed, match="no multiple of 4"):
            read(NINE, 300, *odd, 1, 4, 34, 4, options=True)


def test_a_template_knows_its_width_its_flow_fields_and_whether_it_describes_flows() -> None:
    fields = (
        Field(8, 0, 4), Field(1, REVERSE, 4), Field(1, 0, 4), Field(8, 0, 4), Field(82, 0, VARIABLE), Field(8, 9, 2),
        Field(2, 0, 0), Field(9999, 0, 1),
    )  # fmt: skip
    found = Template(256, fields)
    assert (found.width, found.varying, found.flow, found.octets) == (20, True, True, 8 * 8 + 6)
    assert found.indices == {8: [0, 3], 1: [2], 82: [4]}
    assert found.reverse_indices == {1: [1]}
    assert layout_of(found) is layout_of(found)
    assert not Template(256, fields, scopes=1, options=True).flow
    assert not Template(256, (Field(82, 0, 4), Field(ie.PROTOCOL, 0, 1), Field(1, REVERSE, 4))).flow
    for mark in (8, 12, 27, 28, 44, 45, 170, 169, 1, 2, 85, 86, 231, 232, 352, 353, 23):
        assert Template(256, (Field(mark, 0, 4),)).flow
    for other in (ie.POST_PACKET_DELTA, ie.INITIATOR_PACKETS, ie.SOURCE_PORT):
        assert not Template(256, (Field(other, 0, 4),)).flow


def test_the_same_definition_has_the_same_fields_scopes_and_kind() -> None:
    one = Template(256, (Field(8, 0, 4),), scopes=1, options=True)
    assert one.same_as(Template(300, one.fields, scopes=1, options=True))  # whatever its id
    assert not one.same_as(None)
    assert not one.same_as(Template(256, (Field(8, 0, 3),), scopes=1, options=True))
    assert not one.same_as(Template(256, one.fields, scopes=0, options=True))
    assert not one.same_as(Template(256, one.fields, scopes=1))


def test_a_field_is_told_by_its_name_in_the_registry_or_as_a_scope() -> None:
    told = [
        Field(8, 0, 4),
        Field(8, REVERSE, 4),
        Field(5, 9, 2),
        Field(2, V9_SCOPE, 4),
        Field(6, V9_SCOPE, 1),
    ]
    assert [(one.spec().id, one.spec().enterprise, one.spec().name, one.spec().length) for one in told] == [
        (8, 0, "sourceIPv4Address", 4), (8, REVERSE, "reverseSourceIPv4Address", 4), (5, 9, "9/5", 2),
        (2, 0, "scopeInterface", 4), (6, 0, "scope6", 1),
    ]  # fmt: skip
