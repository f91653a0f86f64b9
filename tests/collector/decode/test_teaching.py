"""What a decoder learns: of messages that it takes, and of those that are counted elsewhere, which tell nothing else."""

from __future__ import annotations

import struct

import pytest

from flowdiag.collector.decode.decoder import Decoder
from flowdiag.collector.report import ExportReport
from tests.collector.decode.wire import (
    a_set,
    datagrams,
    flow,
    ipfix,
    netflow9,
    options_template,
    options_template9,
    template,
    v4_octets,
    with_template,
    with_template9,
)

RATE = a_set(3, options_template(300, ((149, 4), (34, 4))))


def rate(factor: int) -> bytes:
    return a_set(300, struct.pack("!II", 1, factor))


def fed(decoder: Decoder, *messages: bytes) -> None:
    for message in datagrams(messages):
        decoder.feed(message, "export")


def taught(decoder: Decoder, *messages: bytes, options: bool = True) -> None:
    for message in datagrams(messages):
        decoder.teach(message, options=options)


def finished(decoder: Decoder) -> tuple[list[int], list[int]]:
    """Octets and sampling of all rows."""
    batches = list(decoder.finish())
    octets, sampling = (
        [value for batch in batches for value in batch[name].to_pylist()] for name in ("octets", "sampling")
    )
    return octets, sampling


def test_templates_are_learned_and_the_message_is_not_counted() -> None:
    decoder = Decoder(ExportReport())
    taught(decoder, ipfix(with_template(), a_set(256, flow()), RATE, rate(10), sequence=7))
    (told,) = decoder.report.sessions
    assert (told.messages, told.records, told.option_records, decoder.rows) == (0, 0, 0, 0)
    fed(decoder, ipfix(a_set(256, flow(3)), sequence=9))
    assert finished(decoder) == ([3000], [10])
    assert (told.messages, told.records, told.lost_records, told.option_records) == (1, 1, 0, 0)


@pytest.mark.parametrize(("options", "sampling"), [(True, 10), (False, 1)])
def test_rates_are_learned_where_they_are_asked_for(options: bool, sampling: int) -> None:
    decoder = Decoder(ExportReport())
    taught(decoder, ipfix(with_template(), RATE, rate(10)), options=options)
    fed(decoder, ipfix(a_set(256, flow(1))))
    assert finished(decoder)[1] == [sampling]


def test_data_sets_that_wait_are_read() -> None:
    decoder = Decoder(ExportReport())
    fed(decoder, ipfix(a_set(256, flow(2), flow(3))))
    assert (decoder.rows, decoder.kept_octets) == (0, 2 * len(flow()))
    taught(decoder, ipfix(with_template()))
    assert decoder.rows == 2
    assert finished(decoder) == ([200, 300], [1, 1])
    (told,) = decoder.report.sessions
    assert (told.undecoded_sets, told.undecoded_records, told.records) == (0, 0, 2)


def test_a_rate_that_changes_counts_from_there_on() -> None:
    decoder = Decoder(ExportReport())
    fed(decoder, ipfix(with_template(), RATE, rate(10), a_set(256, flow(1))))
    taught(decoder, ipfix(rate(20)))
    fed(decoder, ipfix(a_set(256, flow(1)), sequence=2))
    assert finished(decoder) == ([1000, 2000], [10, 20])


def test_the_same_rate_again_ends_no_batch_and_a_new_start_does() -> None:
    """Element 160 is when the exporter started, in ms since 1970."""
    start = a_set(3, options_template(301, ((149, 4), (160, 8))))

    def started(ms: int) -> bytes:
        return a_set(301, struct.pack("!IQ", 1, ms))

    decoder = Decoder(ExportReport())
    fed(decoder, ipfix(with_template(), RATE, start, rate(10), started(5000), a_set(256, flow(1))))
    for message, batches in ((rate(10), 0), (started(5000), 0), (started(6000), 1), (started(6000), 1)):
        taught(decoder, ipfix(message))
        assert len(decoder._sealed) == batches


def test_what_is_no_sound_message_teaches_nothing() -> None:
    decoder = Decoder(ExportReport())
    taught(decoder, b"\0\x0a", ipfix(with_template())[:-1])
    assert (decoder.report.problems, decoder.report.sessions) == ([], [])
    taught(
        decoder,
        ipfix(with_template(), a_set(256, flow())) + b"",
        ipfix(a_set(2, template(256, ((8, 4),))[:-1])),
    )
    fed(decoder, ipfix(a_set(256, flow(4))))
    assert finished(decoder)[0] == [400]  # by the definition that was sound


# Messages that it takes ---------------------------------------------------------------------------------------------

TWO, THREE = a_set(256, flow(1), flow(2)), a_set(300, *(struct.pack("!II", 1, 10) for _ in range(3)))
RATE9 = a_set(1, options_template9(300, ((1, 4),), ((34, 4),)))


@pytest.mark.parametrize(
    ("message", "records", "options", "expected"),
    [
        (ipfix(with_template(), RATE, TWO, THREE, sequence=10), 5, {0: 3}, 15),
        (netflow9(with_template9(), RATE9, TWO, THREE, sequence=10), 5, {0: 3}, 11),
        (ipfix(with_template(), TWO, sequence=2**32 - 1), 2, {}, 1),
        (ipfix(RATE, THREE, sequence=7), 3, {0: 3}, 10),
        (ipfix(with_template(), TWO, a_set(400, bytes(9)), sequence=10), 2, {}, None),  # nobody can count on
    ],
)
def test_the_number_that_follows_counts_records_and_options_or_messages(
    message: bytes, records: int, options: dict[int, int], expected: int | None
) -> None:
    decoder = Decoder(ExportReport())
    fed(decoder, message)
    assert (list(decoder._stretch.records), decoder._stretch.options) == ([records], options)
    assert decoder._roster.domains[0].expected == expected


def test_a_definition_alone_ends_the_use_of_the_one_before() -> None:
    decoder = Decoder(ExportReport())
    fed(
        decoder, ipfix(with_template(), a_set(256, flow(1))), ipfix(a_set(2, template(256, ((8, 4), (1, 4)))), sequence=1),
        ipfix(a_set(256, v4_octets("10.0.0.1") + struct.pack("!I", 7)), sequence=1),
    )  # fmt: skip
    assert finished(decoder)[0] == [100, 7]


def test_the_first_start_that_is_told_ends_no_batch() -> None:
    start = a_set(3, options_template(301, ((149, 4), (160, 8))))
    decoder = Decoder(ExportReport())
    fed(decoder, ipfix(with_template(), a_set(256, flow(1))))
    for place, (ms, sealed) in enumerate(((5000, 0), (5000, 0), (6000, 1))):
        fed(decoder, ipfix(start, a_set(301, struct.pack("!IQ", 1, ms)), sequence=1 + place))
        assert len(decoder._sealed) == sealed


def test_what_is_no_flow_is_told_in_the_stretch_it_came_in() -> None:
    decoder = Decoder(ExportReport())
    fed(decoder, ipfix(a_set(2, template(256, ((4, 1),))), a_set(256, bytes(3))))
    assert [note[:2] for note in decoder.cut()[1].notes] == ["3 "]
    assert decoder.cut()[1].notes == []
