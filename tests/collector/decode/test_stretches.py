"""What a stretch of an export tells at its end, and what goes on into the next: each count by hand."""

from __future__ import annotations

import struct

import pytest

from flowdiag.collector.datagram import Datagram
from flowdiag.collector.decode.closing import LATE_MS
from flowdiag.collector.decode.decoder import Decoder
from flowdiag.collector.decode.limits import Limits
from flowdiag.collector.report import ExportReport
from tests.collector.decode.wire import (
    EXPORT_S,
    a_set,
    datagrams,
    flow,
    ipfix,
    netflow5,
    netflow9,
    options_template,
    options_template9,
    record5,
    session,
    template,
    with_template,
    with_template9,
)

NOW_MS = EXPORT_S * 1000


def fed(decoder: Decoder, *messages: bytes) -> Decoder:
    for message in datagrams(messages):
        decoder.feed(message, "export")
    return decoder


def fresh(**limits: int) -> Decoder:
    return Decoder(ExportReport(), limits=Limits(**limits))


def data(records: int, sequence: int, second: int = 0) -> bytes:
    return ipfix(
        a_set(256, *(flow(n + 1) for n in range(records))), sequence=sequence, export_s=EXPORT_S + second
    )


@pytest.mark.parametrize(("sets", "undecoded"), [(1, 0), (2, 2)])
def test_records_that_could_be_decoded_later_are_undecoded_no_longer(sets: int, undecoded: int) -> None:
    """Two records of a template that comes in the next batch, and two of one that never comes."""
    early = a_set(256, flow(), flow(2))
    never = [a_set(400, bytes(74))] if sets == 2 else []
    decoder = fed(fresh(), ipfix(with_template(257), early, *never))
    decoder.flush()
    fed(decoder, ipfix(a_set(257, flow()), sequence=2 * sets))
    decoder.flush()
    fed(decoder, ipfix(with_template(), a_set(256, flow()), sequence=2 * sets + 1))
    batches, report = decoder.cut(last=True)
    (told,) = report.sessions
    assert sum(batch.num_rows for batch in batches) == 4
    assert (told.undecoded_records, told.undecoded_sets, told.lost_records) == (undecoded, sets - 1, 0)


@pytest.mark.parametrize(("behind", "told"), [(1999, 0), (2000, 0), (2001, 1)])
def test_a_gap_may_be_filled_for_two_seconds_across_the_end_of_a_stretch(behind: int, told: int) -> None:
    """The latest message, of another engine, is so many ms behind the one that shows the gap; v5 headers have milliseconds."""
    assert LATE_MS == 2_000
    nanoseconds = (behind % 1000) * 1_000_000
    decoder = fed(
        fresh(),
        netflow5(record5(), sequence=0),
        netflow5(record5(), sequence=5),
        netflow5(
            record5(), sequence=0, engine=(0, 1), export_s=EXPORT_S + behind // 1000, nanoseconds=nanoseconds
        ),
    )
    _, report = decoder.cut()
    assert (len(report.losses), report.lost_records) == (told, 4 * told)
    _, report = decoder.cut(last=True)
    assert (len(report.losses), report.lost_records) == (1 - told, 4 * (1 - told))


def test_counts_of_a_stretch_begin_anew_and_what_was_learned_goes_on() -> None:
    decoder = fed(fresh(), ipfix(with_template()), data(2, 0), data(1, 5), data(1, 6, second=10))
    _, first = decoder.cut()
    (told,) = first.sessions
    assert (told.messages, told.records, told.octets, told.packets) == (4, 4, 500, 5)
    assert (told.lost_records, [loss.records for loss in first.losses]) == (3, [3])
    assert (told.first_export_ms, told.last_export_ms) == (NOW_MS, NOW_MS + 10_000)
    assert told.templates[256].records == 4
    fed(decoder, data(1, 7, second=20))
    _, second = decoder.cut()
    (told,) = second.sessions
    assert (told.messages, told.records, told.octets, told.packets, told.lost_records) == (1, 1, 100, 1, 0)
    assert (told.first_export_ms, told.last_export_ms) == (NOW_MS + 20_000, NOW_MS + 20_000)
    assert (second.losses, told.templates[256].records, told.duplicates, told.restarts) == ([], 1, 0, 0)
    assert first.sessions[0].records == 4  # what was taken stays


def test_redefinitions_and_what_exporters_lost_are_of_their_stretch() -> None:
    lost = a_set(3, options_template(300, ((149, 4), (166, 8)))) + a_set(300, struct.pack("!IQ", 1, 7))
    shorter = a_set(2, template(256, ((8, 4), (1, 4))))
    decoder = fed(fresh(), ipfix(with_template(), lost), ipfix(shorter, sequence=1))
    _, first = decoder.cut()
    assert first.sessions[0].templates[256].redefined == 1
    assert first.notes == ["the exporter reports that 7 flow records were not sent (domain 1)"]
    _, second = decoder.cut(last=True)
    assert (second.sessions[0].templates[256].redefined, second.notes) == (0, [])


@pytest.mark.parametrize(("losses", "told"), [(2, 2), (3, 3), (4, 3)])
def test_losses_are_told_up_to_their_bound_in_order_of_time(losses: int, told: int) -> None:
    decoder = fed(fresh(losses=losses), ipfix(with_template()), *(data(1, 2 * n, second=n) for n in range(4)))
    _, report = decoder.cut(last=True)
    assert [loss.time_ms for loss in report.losses] == [NOW_MS + 1000 * n for n in range(1, told + 1)]
    assert report.lost_records == 3


def test_in_another_order_sequence_numbers_tell_nothing() -> None:
    decoder = fed(fresh(), ipfix(with_template()), data(1, 0), data(1, 5))
    _, report = decoder.cut(in_order=False, last=True)
    assert (report.losses, report.lost_records) == ([], 0)


def test_the_middle_difference_of_clocks_is_the_lower_of_two() -> None:
    decoder = fresh()
    for second, late in enumerate((300, 100, 400, 200)):
        message = ipfix(with_template(), sequence=0, export_s=EXPORT_S + second)
        decoder.feed(Datagram(session(), message, NOW_MS + 1000 * second + late, second))
    assert decoder.clock_offsets() == {(session().exporter, 1): 200}
    _, report = decoder.cut()
    assert report.sessions[0].clock_offset_ms == 200
    assert decoder.clock_offsets() == {}
    assert decoder.cut(last=True)[1].sessions[0].clock_offset_ms == 200


@pytest.mark.parametrize(
    ("late_ms", "offset"),
    [
        ([0, 900_000, 880_000, 860_000], 0),  # held up for minutes, and come with one that was not
        ([900_000, 880_000, 860_000, 840_000], 0),  # come together, and say so
        ([0, 900_000, 900_000, 900_000], 0),  # each as late as the other
        ([90_000, 90_000, 90_000, 91_000], 90_000),  # the clock was set
        ([1_000, 3_000, 2_000, 4_000], 2_000),
    ],
)
def test_messages_that_were_held_up_are_no_other_clock(late_ms: list[int], offset: int) -> None:
    decoder = fresh()
    for stretch in ([0, 0], late_ms):
        for second, late in enumerate(stretch):
            message = ipfix(with_template(), sequence=0, export_s=EXPORT_S + second)
            decoder.feed(Datagram(session(), message, NOW_MS + 1000 * second + late, second))
        _, report = decoder.cut()
    assert report.sessions[0].clock_offset_ms == offset


@pytest.mark.parametrize("held_up", [False, True])
def test_messages_that_were_held_up_show_no_losses(held_up: bool) -> None:
    """Records 2 to 5 come after 6 and 7, or never; the gap was noticed in a stretch of its own, that is all."""
    decoder = fresh()
    lost = []
    late = [(2, 1, 90_000), (4, 2, 90_000)] if held_up else []
    for stretch in ([(0, 0, 0)], [(6, 100, 0)], [*late, (8, 110, 0)], [(10, 120, 0)]):
        for sequence, second, late_ms in stretch:
            message = ipfix(
                with_template(), a_set(256, flow(), flow(2)), sequence=sequence, export_s=EXPORT_S + second
            )
            decoder.feed(Datagram(session(), message, NOW_MS + 1000 * second + late_ms, second))
        lost.append(decoder.cut()[1].lost_records)
    assert lost == ([0, 0, 0, 0] if held_up else [0, 0, 4, 0])


def test_messages_given_away_do_not_count_among_those_whose_records_are_known() -> None:
    """Of four messages that came one is decoded elsewhere: a lost one held as much as each of the three, two records."""
    given: list[Datagram] = []
    decoder = Decoder(ExportReport(), unread=given.append)
    two = a_set(256, flow(), flow(2))
    fed(
        decoder, netflow9(with_template9(), two, sequence=0), netflow9(two, sequence=1),
        netflow9(a_set(400, bytes(8)), sequence=2), netflow9(two, sequence=3, export_s=EXPORT_S + 1),
        netflow9(two, sequence=5, export_s=EXPORT_S + 5),
    )  # fmt: skip
    decoder.cut()
    assert len(given) == 1
    _, report = decoder.cut(last=True)
    (told,) = report.sessions
    assert (told.lost_messages, told.lost_records, told.lost_is_estimate) == (1, 2, True)


def test_options_records_of_earlier_stretches_count_in_what_a_lost_message_held() -> None:
    """Two messages of a stretch held a flow and three options records, two of the next a flow each: six in four."""
    told = a_set(1, options_template9(300, ((1, 4),), ((34, 4),)))
    options = a_set(300, *(struct.pack("!II", n, 10) for n in range(3)))
    one = a_set(256, flow())
    decoder = fed(fresh(), netflow9(with_template9(), told, options, sequence=0), netflow9(one, sequence=1))
    decoder.cut()
    fed(decoder, netflow9(one, sequence=2), netflow9(one, sequence=4))
    _, report = decoder.cut(last=True)
    assert (report.lost_messages, report.lost_records) == (1, 2)  # a message and a half, to the even number


def test_batches_are_numbered_one_by_one() -> None:
    decoder = fresh()
    numbers = []
    for n in range(3):
        numbers.append(decoder._stretch.number)
        fed(decoder, ipfix(with_template(), sequence=n))
        decoder.flush()
    assert numbers == [0, 1, 2]
