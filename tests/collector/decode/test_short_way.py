"""Ordinary messages take the short way, and only those do: the other way gives the same, ten times as slowly."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from flowdiag.collector.datagram import Datagram
from flowdiag.collector.decode.addresses import is_ipv6
from flowdiag.collector.decode.closing import _records_a_message
from flowdiag.collector.decode.decoder import Decoder
from flowdiag.collector.decode.domain import SETS
from flowdiag.collector.decode.limits import Limits
from flowdiag.collector.decode.normalise import _begins, _sum
from flowdiag.collector.report import ExportReport
from tests.collector.decode.fake_columns import FakeColumns
from tests.collector.decode.wire import (
    EXPORT_S,
    a_set,
    datagrams,
    flow,
    ipfix,
    netflow5,
    netflow9,
    record5,
    template,
    with_template,
    with_template9,
)


class Watched(Decoder):
    """Counts the messages that take neither the short way nor the middle one."""

    def __init__(self, **options: Any) -> None:
        super().__init__(ExportReport(), **options)
        self.long = self.middle = 0

    def _unusual(self, datagram: Datagram) -> None:
        self.middle += 1
        super()._unusual(datagram)

    def _data_only(self, datagram: Datagram) -> bool:
        taken = super()._data_only(datagram)
        self.long += not taken
        return taken


def ways(*messages: bytes, **options: Any) -> tuple[int, int, int]:
    """How many of the messages behind the first took the short way, the middle one and the long one."""
    decoder = Watched(**options)
    first, *others = datagrams(messages)
    decoder.feed(first, "export")
    decoder.long = decoder.middle = 0
    for message in others:
        decoder.feed(message, "export")
    return len(others) - decoder.middle, decoder.middle - decoder.long, decoder.long


TAUGHT = ipfix(with_template(), a_set(256, flow()))
TAUGHT9 = netflow9(with_template9(), a_set(256, flow()))


@pytest.mark.parametrize(
    ("messages", "expected"),
    [
        ([TAUGHT, ipfix(a_set(256, flow(2)), sequence=1), ipfix(a_set(256, flow(3), flow(4)), sequence=2)], (2, 0, 0)),
        ([TAUGHT, ipfix(a_set(256, flow(2)), sequence=1), ipfix(a_set(256, flow(3)), sequence=3)], (1, 0, 1)),  # one is lost
        ([TAUGHT, ipfix(a_set(256, flow(2)), a_set(256, flow(3)), sequence=1)], (0, 1, 0)),
        ([TAUGHT, ipfix(a_set(256, flow(2)), a_set(256, flow(3)), sequence=1), ipfix(a_set(256, flow()), sequence=3)], (1, 1, 0)),
        ([TAUGHT, ipfix(a_set(257, flow(2)), sequence=1)], (0, 0, 1)),
        ([TAUGHT, ipfix(a_set(256, flow(2)), sequence=1) + b"\0"], (0, 1, 0)),
        ([TAUGHT, ipfix(a_set(256, flow(2)), sequence=1)[:-1]], (0, 0, 1)),
        ([TAUGHT, ipfix(a_set(256, flow(2), padding=3), sequence=1), ipfix(a_set(256, flow(3)), sequence=2)], (2, 0, 0)),
        ([TAUGHT9, netflow9(a_set(256, flow(2)), sequence=1), netflow9(a_set(256, flow(3), flow(4)), sequence=2)], (2, 0, 0)),
        ([TAUGHT9, netflow9(a_set(256, flow(2)), sequence=2)], (0, 0, 1)),
        ([TAUGHT9, netflow9(a_set(256, flow()), a_set(256, flow()), sequence=1), netflow9(a_set(256, flow()), sequence=2)],
         (1, 1, 0)),
        ([netflow5(record5()), netflow5(record5(), record5(), sequence=1), netflow5(record5(), sequence=3)], (2, 0, 0)),
        ([netflow5(record5()), netflow5(record5(), sequence=2)], (0, 0, 1)),
        ([netflow5(record5()), netflow5(record5(), sequence=1, sampling=0x4064)], (0, 0, 1)),
    ],
)  # fmt: skip
def test_which_way_a_message_takes(messages: list[bytes], expected: tuple[int, int, int]) -> None:
    assert ways(*messages) == expected


def test_numbers_that_begin_anew_after_the_largest_are_ordinary() -> None:
    last = (1 << 32) - 1
    assert ways(
        ipfix(with_template(), a_set(256, flow()), sequence=last - 1),
        ipfix(a_set(256, flow()), sequence=last), ipfix(a_set(256, flow(), flow()), sequence=0),
        ipfix(a_set(256, flow()), sequence=2),
    ) == (3, 0, 0)  # fmt: skip
    assert ways(
        netflow9(with_template9(), a_set(256, flow()), sequence=last), netflow9(a_set(256, flow()), sequence=0),
    ) == (1, 0, 0)  # fmt: skip
    assert ways(
        ipfix(with_template(), a_set(256, flow()), sequence=last - 1),
        ipfix(a_set(256, flow()), a_set(256, flow()), sequence=last), ipfix(a_set(256, flow()), sequence=1),
    ) == (1, 1, 0)  # fmt: skip


def decoder_after(*messages: bytes, **options: Any) -> Decoder:
    decoder = Decoder(ExportReport(), **options)
    for message in datagrams(messages):
        decoder.feed(message, "export")
    return decoder


# What a message, a data set, a template with data sets, a domain that is new and a value of any length take beside their
# octets, as it was measured.
MESSAGE, SET, GROUP, DOMAIN, VALUE = 256, 128, 4096, 4096, 24


def test_what_waits_costs_its_octets_and_what_they_take_besides() -> None:
    before = decoder_after(TAUGHT).pending_octets
    # Of a message on the long way the octets of its data sets count.
    assert before == DOMAIN + MESSAGE + GROUP + len(flow()) + SET
    short = ipfix(a_set(256, flow(), flow()), sequence=1)
    decoder = decoder_after(TAUGHT, short)
    assert decoder.pending_octets - before == len(short) + MESSAGE
    assert (decoder.rows, decoder.groups) == (3, 1)
    two = ipfix(a_set(256, flow()), a_set(256, flow()), sequence=1)
    assert decoder_after(TAUGHT, two).pending_octets - before == len(two) + MESSAGE + 2 * SET


def test_values_of_any_length_cost_something_each() -> None:
    fields = ((8, 4), (82, 65535), (83, 65535))
    record = b"\x0a\0\0\x01" + b"\x01a" + b"\x02bc"
    taught = ipfix(a_set(2, template(256, fields)), a_set(256, record))
    message = ipfix(a_set(256, record, record), sequence=1)
    before = decoder_after(taught).pending_octets
    assert before == DOMAIN + MESSAGE + GROUP + len(record) + SET + 2 * VALUE
    assert decoder_after(taught, message).pending_octets - before == (
        len(message) + MESSAGE + SET + 2 * 2 * VALUE
    )


@pytest.mark.parametrize(("rows", "ready"), [(1, [1, 1, 1]), (2, [2]), (3, [3]), (4, [])])
def test_a_batch_ends_with_the_message_that_fills_it(rows: int, ready: list[int]) -> None:
    messages = [ipfix(a_set(256, flow()), sequence=n) for n in range(3)]
    decoder = decoder_after(ipfix(with_template()), *messages, batch_rows=rows)
    assert decoder.rows == 3
    assert [batch.num_rows for batch in decoder.batches()] == ready


def test_a_batch_ends_where_its_octets_are_enough() -> None:
    begin = decoder_after(TAUGHT).pending_octets
    for sets in (1, 2):  # the short way and the middle one
        message = ipfix(*[a_set(256, flow())] * sets, sequence=1)
        cost = len(message) + MESSAGE + (sets * SET if sets > 1 else 0)
        for least, ready in ((begin + cost, 1), (begin + cost + 1, 0)):
            decoder = decoder_after(TAUGHT, message, limits=Limits(pending_octets=least))
            assert decoder.groups == 1
            assert len(list(decoder.batches())) == ready


def test_templates_of_each_batch_are_counted() -> None:
    decoder = decoder_after(TAUGHT)
    decoder.flush()
    (message,) = datagrams([ipfix(a_set(256, flow()), sequence=1)])
    decoder.feed(message, "export")
    assert (decoder.groups, decoder.rows) == (2, 2)


def test_the_clock_is_looked_at_once_a_second_and_where_the_capture_tells_the_time() -> None:
    """Message behind message of one second, by the short way and by the middle one."""

    def looked(*messages: Any, at: int | None = EXPORT_S * 1000) -> int:
        decoder = Decoder(ExportReport())
        place = 0
        for message in (TAUGHT, *messages):
            decoder.feed(
                Datagram(
                    datagrams([TAUGHT])[0].session if place == 0 else decoder_session, message, at, place
                ),
                "e",
            )
            place += len(message)
        (domain,) = decoder._roster.domains.values()
        return len(domain.clock_offsets)

    decoder_session = datagrams([TAUGHT])[0].session
    one = ipfix(a_set(256, flow()), sequence=1)
    pair = ipfix(a_set(256, flow()), a_set(256, flow()), sequence=1)
    later = ipfix(a_set(256, flow()), a_set(256, flow()), sequence=1, export_s=EXPORT_S + 1)
    assert [looked(one), looked(pair), looked(later)] == [1, 1, 2]
    assert [looked(one, at=None), looked(pair, at=None), looked(later, at=None)] == [0, 0, 0]


def test_a_record_of_a_template_of_both_families_is_of_the_one_whose_addresses_it_has() -> None:
    none, some = np.zeros(16, np.uint8), np.arange(16, dtype=np.uint8)
    both: dict[str, Any] = {
        "SOURCE_IPV4": np.array([0, 1, 0, 0]), "DESTINATION_IPV4": np.array([0, 0, 1, 0]),
        "SOURCE_IPV6": np.array([some, some, none, none]), "DESTINATION_IPV6": np.array([none, some, some, none]),
    }  # fmt: skip
    columns: Any = FakeColumns(4, **both)
    found = is_ipv6(columns)
    assert found is not None
    assert found.tolist() == [True, False, False, False]
    # What the record says of its version counts, where it is one of the two.
    told: Any = FakeColumns(4, **both, IP_VERSION=np.array([4, 6, 5, 6]))
    version = is_ipv6(told)
    assert version is not None
    assert version.tolist() == [False, True, False, True]
    half: Any = FakeColumns(1, SOURCE_IPV4=np.array([1]), DESTINATION_IPV4=np.array([1]))
    assert is_ipv6(half) is None


def test_a_lost_message_held_as_many_records_as_the_others() -> None:
    assert _records_a_message(None) == 0.0
    decoder = decoder_after(TAUGHT, ipfix(a_set(256, flow(), flow()), sequence=1))
    (domain,) = decoder._roster.domains.values()
    domain.report.messages, domain.report.records, domain.report.option_records = 4, 9, 3
    domain.earlier_messages, domain.earlier_records, domain.given_away = 3, 5, 1
    assert _records_a_message(domain) == 17 / 6
    domain.given_away = 7
    assert _records_a_message(domain) == 17.0


def test_rows_begin_a_message_where_its_first_data_set_does() -> None:
    """Sets are numbered by message, SETS to each."""
    sets = [0, 0, 1, SETS, SETS, SETS + 3, 3 * SETS]
    assert _begins(np.array(sets)).tolist() == [0, 3, 6]
    assert _begins(np.array([0, 0, SETS, SETS])).tolist() == [0, 2]
    assert _begins(np.array([5, 5, 6])).tolist() == [0]
    assert _begins(np.array([5])).tolist() == [0]


def test_sums_of_hostile_counters_are_exact() -> None:
    largest = (1 << 64) - 1
    counts = np.array([largest, 1, largest, 7], np.uint64)
    assert _sum(counts, None) == 2 * largest + 8
    assert _sum(counts, np.array([True, True, False, False])) == largest + 1
    assert _sum(counts, np.zeros(4, np.bool_)) == 0
    half = (1 << 63) - 1
    assert _sum(np.array([half, half], np.uint64), None) == 2 * half
    assert _sum(np.array([half + 1, half + 1], np.uint64), None) == 2 * half + 2
