"""Numbers of addresses, names, sources and messages of records; what is told of the kept ones only."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pyarrow as pa
import pytest

from flowdiag.address_ranges import AddressRanges
from flowdiag.addresses import to_bytes
from flowdiag.aggregator import records as module
from flowdiag.aggregator.records import (
    MAX_IFINDEX,
    MESSAGE_NUMBERS,
    NO_MESSAGE,
    NOT_SAID,
    Interner,
    LeftOut,
    Records,
    to_records,
)
from flowdiag.flows import MESSAGES_KEY
from tests.aggregator.tables import EXPORTER, START, Row, batch, up

OTHER = "192.0.2.11"


def interner() -> Interner:
    return Interner(AddressRanges(["192.168.40.0/24"]))


def read(
    rows: Sequence[Row], given: Interner | None = None, messages: Sequence[int] | None = None, left: LeftOut | None = None,
    only: frozenset[bytes] | None = None,
) -> Records:  # fmt: skip
    """Records of rows; messages: where in the rows each export message begins."""
    one = batch(rows)
    if messages is not None:
        one = one.replace_schema_metadata({MESSAGES_KEY: np.array(messages, np.int32).tobytes()})
    return to_records(one, given or interner(), lambda ports: ports.astype(np.int8), left or LeftOut(), only)


def test_columns_of_a_record_are_what_was_exported() -> None:
    found = read([up(direction=1, application="web", end_reason=3, sampling=7, dscp=46)])
    assert [int(found.start_ms[0] - START), int(found.end_ms[0] - START)] == [0, 1000]
    assert (found.src_port[0], found.dst_port[0], found.protocol[0], found.tcp_flags[0]) == (
        50_000,
        443,
        6,
        0x1B,
    )
    assert (found.metered[0], found.end_reason[0], found.sampling[0], found.dscp[0]) == (1, 3, 7, 46)
    assert (found.ingress[0], found.egress[0], found.link_in[0], found.link_out[0]) == (1, 2, 1, 2)
    assert (found.application[0], found.source[0], found.message[0]) == (0, 0, NO_MESSAGE)


@pytest.mark.parametrize(
    ("direction", "metered"), [(0, 0), (1, 1), (None, NOT_SAID), (2, NOT_SAID), (255, NOT_SAID)]
)
def test_only_ingress_and_egress_are_metering_points(direction: int | None, metered: int) -> None:
    assert read([up(direction=direction)]).metered.tolist() == [metered]


def test_interfaces_that_were_not_exported_are_none_and_large_ones_the_largest() -> None:
    found = read([up(ingress_interface=None, egress_interface=2**32 - 1)])
    assert (found.ingress[0], found.egress[0]) == (-1, MAX_IFINDEX)
    assert read([up(egress_interface=MAX_IFINDEX)]).egress[0] == MAX_IFINDEX
    assert read([up(egress_interface=MAX_IFINDEX - 1)]).egress[0] == MAX_IFINDEX - 1


def test_numbers_hold_through_all_batches() -> None:
    given = interner()
    first = read(
        [up("192.168.40.1", "203.0.113.1", application="web"), up("192.168.40.2", application="dns")], given
    )
    second = read([up("203.0.113.1", "192.168.40.2", application="dns", domain=3)], given)
    assert (first.src.tolist(), second.src.tolist(), second.dst.tolist()) == ([0, 1], [2], [1])
    assert (first.application.tolist(), second.application.tolist(), given.names) == (
        [0, 1],
        [1],
        ["web", "dns"],
    )
    assert (first.source.tolist(), second.source.tolist()) == ([0, 0], [1])
    assert given.sources == [(to_bytes(EXPORTER), 0), (to_bytes(EXPORTER), 3)]
    assert given.inside_by_number.tolist() == [True, True, False, False]
    read([up("192.168.40.3")], given)
    assert given.inside_by_number.tolist() == [True, True, False, False, True]
    assert interner().inside_by_number.tolist() == []


def test_sources_of_one_batch_are_told_apart() -> None:
    given = interner()
    rows = [
        up(exporter=OTHER, domain=7),
        up(),
        up(exporter=None),
        up(exporter=OTHER, domain=7),
        up(exporter=OTHER),
    ]
    found = read(rows, given)
    assert [given.sources[number] for number in found.source] == [
        (to_bytes(OTHER), 7), (to_bytes(EXPORTER), 0), (bytes(16), 0), (to_bytes(OTHER), 7), (to_bytes(OTHER), 0)
    ]  # fmt: skip
    assert len(given.sources) == 4


def test_names_and_sources_beyond_the_most_are_none_and_the_last(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "MAX_NAMES", 2)
    monkeypatch.setattr(module, "MAX_SOURCES", 2)
    given = interner()
    rows = [up(application=name, domain=place) for place, name in enumerate(("a", None, "b", "c", "a"))]
    found = read(rows, given)
    assert (found.application.tolist(), given.names) == ([0, -1, 1, -1, 0], ["a", "b"])
    assert (found.source.tolist(), len(given.sources)) == ([0, 1, 1, 1, 1], 2)


def test_messages_are_numbered_from_batch_to_batch() -> None:
    given = interner()
    rows = [up(src_port=port) for port in range(1, 6)]
    # The third message begins where the second does: it had no records.
    assert read(rows, given, [0, 2, 2, 4]).message.tolist() == [2, 2, 4, 4, 5]
    assert read(rows[:2], given, [0, 1]).message.tolist() == [6, 7]
    assert read(rows[:2], given).message.tolist() == [NO_MESSAGE] * 2


def test_messages_of_two_sources_do_not_follow_each_other() -> None:
    rows = [up(), up(domain=2), up(domain=2)]
    assert read(rows, messages=[0, 1, 2]).message.tolist() == [2, 4, 5]


def test_numbers_of_messages_come_again_after_the_most() -> None:
    given = interner()
    given._messages = MESSAGE_NUMBERS - 3
    rows = [up(src_port=port) for port in range(1, 5)]
    assert read(rows, given, [0, 1, 2, 3]).message.tolist() == [MESSAGE_NUMBERS - 1, MESSAGE_NUMBERS, 1, 2]


def test_records_that_are_left_out_leave_the_messages_of_the_others() -> None:
    bare: Row = {"src_address": None, "dst_address": None, "octets": 0}
    rows = [up(**bare), up(), up(start=None, end=None), up(exporter=OTHER), up(src_port=9), up(src_port=8)]
    left = LeftOut()
    found = read(rows, messages=[0, 2, 4, 5], left=left, only=frozenset({to_bytes(EXPORTER)}))
    assert found.src_port.tolist() == [50_000, 9, 8]
    assert found.message.tolist() == [2, 4, 5]
    assert (left.not_ip, left.without_times) == (1, 1)


def test_a_record_is_left_out_for_one_reason() -> None:
    left = LeftOut()
    nothing: Row = {"src_address": None, "dst_address": None, "octets": 0, "start": None, "end": None}
    found = read(
        [up(**nothing), up(**nothing, exporter=OTHER)], left=left, only=frozenset({to_bytes(EXPORTER)})
    )
    assert len(found) == 0
    assert (left.not_ip, left.without_times) == (1, 0)


def test_half_an_address_or_half_a_time_is_enough() -> None:
    left = LeftOut()
    rows = [
        up(src_address=None, octets=0), up(dst_address=None, octets=0), up(src_address=None, dst_address=None, octets=1),
        up(start=None), up(end=None),
    ]  # fmt: skip
    assert len(read(rows, left=left)) == 5
    assert (left.not_ip, left.without_times) == (0, 0)


def test_a_part_of_a_batch_is_read_from_its_own_begin() -> None:
    rows = [
        up(src_port=port, exporter=(EXPORTER, OTHER)[port % 2], application=str(port)) for port in range(1, 7)
    ]
    given = interner()
    part: pa.RecordBatch = batch(rows).slice(2, 3)
    found = to_records(
        part, given, lambda ports: ports.astype(np.int8), LeftOut(), frozenset({to_bytes(OTHER)})
    )
    assert found.src_port.tolist() == [3, 5]
    assert [given.names[number] for number in found.application] == ["3", "5"]


def test_4096_names_and_16384_sources_are_told_apart() -> None:
    given = interner()
    assert [given._name_number(str(number)) for number in range(4098)] == [*range(4096), -1, -1]
    places = [given._source_number(bytes(16), domain) for domain in range(16_386)]
    assert places == [*range(16_384), 16_383, 16_383]
