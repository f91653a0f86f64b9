"""Which templates stay when there are too many: those that have records, whatever their age; and how many octets fit."""

from __future__ import annotations

import struct

import pytest

from flowdiag.collector.decode.limits import Limits
from flowdiag.collector.decode.template_store import EVICTED
from tests.collector.decode.wire import (
    FLOW_FIELDS,
    a_set,
    decode,
    flow,
    ipfix,
    options_template,
    session,
    template,
)

RATE = a_set(3, options_template(300, ((149, 4), (34, 4))))


def flows(number: int) -> bytes:
    return a_set(2, template(number, FLOW_FIELDS))


def kept(*sets: bytes, **limits: int) -> list[int]:
    """Templates that are left after messages of one set each."""
    messages = [ipfix(one) for one in sets]
    return sorted(decode(*messages, limits=Limits(**limits)).report.sessions[0].templates)


def test_a_template_with_records_outlives_younger_ones_without() -> None:
    rate = a_set(300, struct.pack("!II", 1, 10))
    assert kept(RATE, rate, flows(256), flows(257), templates=2) == [257, 300]
    assert kept(RATE, flows(256), flows(257), templates=2) == [256, 257]
    assert kept(flows(256), a_set(256, flow()), flows(257), flows(258), templates=2) == [256, 258]
    assert kept(flows(256), flows(257), templates=2) == [256, 257]


def test_of_several_with_records_the_one_not_used_for_the_longest_time_goes() -> None:
    data = {number: a_set(number, flow()) for number in (256, 257, 258)}
    assert kept(
        flows(256), data[256], flows(257), data[257], a_set(256, flow(2)), flows(258), templates=2
    ) == [
        256,
        258,
    ]


# Eight octets a field, of an enterprise at the most (RFC 7011 3.2), and the six in front of an options template's.
DEFINITION = 8 * len(FLOW_FIELDS) + 6


@pytest.mark.parametrize(("octets", "left"), [(2 * DEFINITION, [256, 257]), (2 * DEFINITION - 1, [257])])
def test_definitions_fit_up_to_their_octets(octets: int, left: list[int]) -> None:
    assert kept(flows(256), flows(257), template_octets=octets) == left


def test_a_definition_that_is_replaced_makes_room_for_its_successor() -> None:
    again = a_set(2, template(256, FLOW_FIELDS[:5] + FLOW_FIELDS[6:]))
    assert kept(flows(256), flows(257), again, flows(256), template_octets=2 * DEFINITION) == [256, 257]
    report = decode(*(ipfix(one) for one in (flows(256), again, flows(256)))).report
    assert report.sessions[0].templates[256].redefined == 2


def test_one_that_is_too_large_alone_leaves_no_other() -> None:
    decoded = decode(ipfix(flows(256)), ipfix(flows(257)), limits=Limits(template_octets=1))
    assert sorted(decoded.report.sessions[0].templates) == [257]
    assert decoded.problems == [EVICTED]


def test_a_withdrawn_template_is_the_next_to_go() -> None:
    def left(*sets: bytes) -> list[int]:
        messages = [ipfix(one, sequence=0) for one in sets]
        found = decode(*messages, of=session(transport="tcp"), limits=Limits(templates=2)).report.sessions[0]
        return sorted(found.templates)

    withdrawn = a_set(2, struct.pack("!HH", 256, 0))
    used = a_set(256, flow())
    assert left(flows(256), used, flows(257), withdrawn, flows(258)) == [257, 258]
    assert left(flows(256), used, flows(257), flows(258)) == [256, 258]
