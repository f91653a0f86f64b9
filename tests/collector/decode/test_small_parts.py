"""The small parts of the decoder by themselves: allowances, cursors, problems, copies, what is held, clocks, rows."""

from __future__ import annotations

import struct
from typing import Any

import numpy as np
import pytest

from flowdiag.collector.datagram import Datagram
from flowdiag.collector.decode.allowance import Allowance
from flowdiag.collector.decode.cursor import Cursor
from flowdiag.collector.decode.decoder import Decoder
from flowdiag.collector.decode.domain import Domain, HeldSet, Stream
from flowdiag.collector.decode.holding import Holding
from flowdiag.collector.decode.limits import MAX_IDS_NAMED, Limits
from flowdiag.collector.decode.malformed import Malformed
from flowdiag.collector.decode.problems import FURTHER, Problems
from flowdiag.collector.decode.recent import Recent
from flowdiag.collector.decode.rows import Column, Rows, joined_rows
from flowdiag.collector.decode.stretch import Stretch
from flowdiag.collector.report import ExportReport, SessionReport
from tests.collector.decode.wire import (
    EXPORT_S,
    a_set,
    decode,
    flow,
    ipfix,
    netflow5,
    netflow9,
    record5,
    session,
    with_template,
    with_template9,
)


def test_an_allowance_ends_with_the_last_one_and_goes_on_where_some_are_given_back() -> None:
    some = Allowance(2)
    assert [some.take() for _ in range(3)] == [True, True, False]
    assert some.taken == 2
    some.give_back(2)
    assert [some.take() for _ in range(3)] == [True, True, False]
    assert not Allowance(0).take()


# Cursors ------------------------------------------------------------------------------------------------------------


def test_a_cursor_reads_up_to_its_end_and_no_further() -> None:
    cursor = Cursor(bytes(range(10)), 2, 8)
    assert (cursor.left, cursor.unsigned(2), cursor.octets(1), cursor.position, cursor.left) == (
        6,
        0x0203,
        b"\x04",
        5,
        3,
    )
    inner = cursor.within(2)
    assert (inner.position, inner.end, cursor.position, inner.octets(2)) == (5, 7, 7, b"\x05\x06")
    with pytest.raises(Malformed):
        inner.skip(1)
    with pytest.raises(Malformed, match="past its set") as raised:
        cursor.skip(2)
    assert raised.value.at == 7
    assert cursor.skip(1) == 7
    assert cursor.skip(0) == 8
    assert Cursor(b"abc").left == 3


@pytest.mark.parametrize(
    ("prefix", "length"),
    [(b"\x00", 0), (b"\xfe", 254), (b"\xff\x00\xff", 255), (b"\xff\x00\x02", 2), (b"\xff\x12\x34", 0x1234)],
)
def test_a_varying_length_takes_one_octet_or_three(prefix: bytes, length: int) -> None:
    """RFC 7011 7: 255 announces two octets more."""
    cursor = Cursor(prefix)
    assert (cursor.varying_length(), cursor.left) == (length, 0)
    with pytest.raises(Malformed):
        Cursor(b"\xff\x01").varying_length()


# Problems -----------------------------------------------------------------------------------------------------------


def test_problems_are_counted_by_file_and_wording_with_their_first_place() -> None:
    report = ExportReport()
    problems = Problems(report, 9)
    for file, offset, what, count in (
        ("a", 50, "cut", 1), ("a", 20, "cut", 2), ("a", 30, "cut", 1), ("b", 9, "cut", 1), ("a", None, "odd", 1),
        ("a", 7, "odd", 1), ("a", None, "odd", 4),
    ):  # fmt: skip
        problems.add(file, offset, what, count)
    assert [(one.file, one.offset, one.what, one.count) for one in report.problems] == [
        ("a", 20, "cut", 4), ("b", 9, "cut", 1), ("a", 7, "odd", 6)
    ]  # fmt: skip


def test_beyond_the_bound_problems_are_of_further_kinds() -> None:
    report = ExportReport()
    problems = Problems(report, 2)
    for number in range(5):
        problems.add("a", number, f"kind {number}", 10)
    problems.add("a", 9, "kind 1", 1)
    assert [(one.what, one.count) for one in report.problems] == [
        ("kind 0", 10),
        ("kind 1", 11),
        (FURTHER, 30),
    ]
    report.problems.clear()
    problems.forget()
    problems.add("a", 1, "kind 4")
    assert [(one.what, one.count) for one in report.problems] == [("kind 4", 1)]


# Copies -------------------------------------------------------------------------------------------------------------


def test_the_last_messages_are_known_by_session_and_octets() -> None:
    recent = Recent(2)
    one, other = session(1), session(2)
    recent.add(one, b"a")
    recent.add(other, b"b")
    assert recent.holds(one, b"a")
    assert not recent.holds(other, b"a")
    assert not recent.holds(one, b"b")
    recent.add(one, b"c")
    assert [recent.holds(one, octets) for octets in (b"a", b"c")] == [False, True]


# What is held -------------------------------------------------------------------------------------------------------


def domain(version: int = 10, number: int = 1) -> Domain:
    return Domain(Stream(session()), version, number, number, SessionReport(b"", 0, number, "ipfix"))


def held(octets: bytes, message: int = 0, header: bytes | None = None, stretch: int = 0) -> HeldSet:
    return HeldSet(octets, stretch, message, (header or ipfix())[:24].ljust(24, b"\0"), 7, 1234)


@pytest.mark.parametrize(("sets", "octets"), [(3, 1000), (1000, 12)])
def test_of_too_many_sets_or_octets_those_of_the_first_message_go(sets: int, octets: int) -> None:
    holding, of = Holding(Limits(held_sets=sets, held_octets=octets)), domain()
    for message, template_id in ((0, 300), (0, 301), (1, 300)):
        holding.add(of, template_id, held(b"1234", message))
    assert (holding.octets, holding.sets_of(of), of.evicted_sets) == (12, 3, 0)
    holding.add(of, 302, held(b"1234", 2))
    assert (holding.octets, holding.sets_of(of), of.evicted, of.evicted_sets) == (8, 2, {300, 301}, 2)
    assert of.report.undecoded_sets == 2
    assert [one.message for one in holding.release(of, 300)] == [1]
    assert holding.release(of, 300) == []
    assert (holding.octets, holding.sets_of(of)) == (4, 1)


def test_sets_of_another_domain_or_epoch_are_of_another_message() -> None:
    for first, second in (((1, 0), (2, 0)), ((1, 0), (1, 1))):
        holding = Holding(Limits(held_sets=2))
        domains = {number: domain(number=number) for number in (1, 2)}
        for number, stretch in (first, second, (1, 9)):
            holding.add(domains[number], 300, held(b"12", 5, stretch=stretch))
        assert sum(one.evicted_sets for one in domains.values()) == 1


def test_ids_of_templates_that_never_came_are_named_up_to_a_bound() -> None:
    holding, of = Holding(Limits(held_sets=0)), domain()
    for number in range(MAX_IDS_NAMED + 5):
        holding.add(of, 300 + number, held(b"12", number))
    assert (len(of.evicted), of.evicted_sets) == (
        MAX_IDS_NAMED + 1,
        MAX_IDS_NAMED + 5,
    )  # one more says that there are more


def test_who_keeps_them_elsewhere_gets_messages_of_their_own() -> None:
    given: list[Datagram] = []
    holding, ten, nine = Holding(Limits(), given.append), domain(), domain(9, 2)
    holding.add(ten, 300, held(b"abcd", 0, ipfix(sequence=5, domain=1)))
    holding.add(ten, 301, held(b"ef", 0, ipfix(sequence=5, domain=1)))
    holding.add(nine, 302, held(b"gh", 1, netflow9(sequence=6, domain=2)))
    holding.hand_over()
    sets = struct.pack("!HH", 300, 8) + b"abcd" + struct.pack("!HH", 301, 6) + b"ef"
    assert [one.payload for one in given] == [
        ipfix(sets, sequence=5, domain=1), netflow9(struct.pack("!HH", 302, 6) + b"gh", sequence=6, domain=2)
    ]  # fmt: skip
    assert [(one.time_ms, one.offset) for one in given] == [(1234, 7)] * 2
    assert (ten.given_away, nine.given_away, ten.evicted_sets, holding.octets) == (1, 1, 0, 0)
    assert ten.held == nine.held == {}


def test_what_is_held_of_a_domain_that_is_forgotten_goes_with_it() -> None:
    holding, of, stays = Holding(Limits()), domain(), domain(number=2)
    for template_id in (300, 301, 300):
        holding.add(of, template_id, held(b"123"))
    holding.add(stays, 300, held(b"12345"))
    holding.forget_domain(of)
    assert (of.report.undecoded_sets, stays.report.undecoded_sets) == (3, 0)
    assert (holding.octets, holding.sets_of(of), holding.sets_of(stays)) == (5, 0, 1)


# Clocks and headers -------------------------------------------------------------------------------------------------


def test_differences_of_clocks_are_thinned_evenly() -> None:
    of = domain()
    for second in range(6):
        of.add_clock(1000 * second + 100 * second, second, 4)
    # Five are too many: each second stays, and the sixth follows.
    assert of.clock_offsets == [100, 300, 500]
    assert of.clock_second == 5


def test_headers_of_an_epoch_are_read_as_columns() -> None:
    stretch, of = Stretch(0, "a"), domain()
    messages = [
        ipfix(sequence=2**32 - 1, export_s=EXPORT_S), netflow9(sequence=7, export_s=EXPORT_S + 1, uptime_ms=99_000),
        netflow5(record5(), sequence=8, export_s=EXPORT_S + 2, uptime_ms=5_000, nanoseconds=12_999_999),
        netflow5(record5(), nanoseconds=2**32 - 1),
    ]  # fmt: skip
    for offset, message in enumerate(messages):
        stretch.add_message(of, message, offset)
    found = stretch.read_headers()
    assert found.sequence.tolist() == [2**32 - 1, 7, 8, 0]
    assert (found.export_ms - EXPORT_S * 1000).tolist() == [0, 1000, 2012, 999]
    assert found.uptime_ms[1:3].tolist() == [99_000, 5_000]
    assert (found.boot_ms - EXPORT_S * 1000)[1:3].tolist() == [1000 - 99_000, 2012 - 5_000]
    assert found.boot_ms[0] == 0


def test_places_of_messages_are_those_of_their_files() -> None:
    stretch, of = Stretch(0, "a"), domain()
    for file, offsets in (("b", (10, 20)), ("c", (5,)), ("d", ())):
        stretch.begin_file(file)
        for offset in offsets:
            stretch.add_message(of, ipfix(), offset)
    assert [stretch.locate(message) for message in range(3)] == [("b", 10), ("b", 20), ("c", 5)]


# Rows ---------------------------------------------------------------------------------------------------------------


def rows(
    values: list[int], known: list[bool] | None = None, records: list[int] | None = None, **more: Any
) -> Rows:
    column = Column(np.array(values, np.uint64), None if known is None else np.array(known))
    return Rows(len(values), {"octets": column, **more}, None if records is None else np.array(records))


def test_joined_rows_know_where_a_column_is_missing() -> None:
    ports = Column(np.array([80, 81], np.uint16))
    found = joined_rows([rows([1, 2], src_port=ports), rows([3], [False])])
    assert found.length == 3
    octets, port = found.columns["octets"], found.columns["src_port"]
    assert octets.values.tolist() == [1, 2, 3]
    assert octets.known is not None
    assert octets.known.tolist() == [True, True, False]
    assert port.known is not None
    assert (port.values.tolist(), port.known.tolist()) == ([80, 81, 0], [True, True, False])
    whole = joined_rows([rows([1]), rows([2])]).columns["octets"]
    assert (whole.values.tolist(), whole.known) == ([1, 2], None)


def test_rows_of_one_record_stand_next_to_each_other() -> None:
    found = rows([10, 20, 30]).followed_by(rows([11, 31], records=[0, 2]))
    assert found.columns["octets"].values.tolist() == [10, 11, 20, 30, 31]
    assert found.records is not None
    assert found.records.tolist() == [0, 0, 1, 2, 2]
    assert found.chosen(np.array([False, True, False, False, True])).columns["octets"].values.tolist() == [
        11,
        31,
    ]


# Losses of a session ------------------------------------------------------------------------------------------------


def test_only_lost_messages_make_an_estimate() -> None:
    """NetFlow v9 counts messages (RFC 3954 5.1): what they held is estimated, where any is lost."""
    whole = [netflow9(with_template9(), a_set(256, flow(n + 1)), sequence=n) for n in range(6)]
    told = [decode(*some).report.sessions[0] for some in (whole, [*whole[:3], *whole[4:]])]
    assert [(one.lost_messages, one.lost_records, one.lost_is_estimate) for one in told] == [
        (0, 0, False),
        (1, 1, True),
    ]


def test_a_session_was_heard_from_its_earliest_message_to_its_latest_in_whatever_batch() -> None:
    for times in ((5, 1, 9), (1, 5, 9), (9, 5, 1)):
        messages = [
            ipfix(with_template(), a_set(256, flow(n + 1)), sequence=n, export_s=EXPORT_S + second)
            for n, second in enumerate(times)
        ]
        (told,) = decode(*messages, batch_rows=1).report.sessions
        assert (told.first_export_ms, told.last_export_ms) == ((EXPORT_S + 1) * 1000, (EXPORT_S + 9) * 1000)


def test_a_problem_of_an_earlier_stretch_is_one_of_the_next_too() -> None:
    decoder = Decoder(ExportReport())
    counts = []
    for _ in range(2):
        for offset in (3, 4):
            decoder.feed(Datagram(session(), b"\0\x0b nothing", EXPORT_S * 1000, offset), "a")
        counts.append([(one.offset, one.count) for one in decoder.cut()[1].problems])
    assert counts == [[(3, 2)], [(3, 2)]]
