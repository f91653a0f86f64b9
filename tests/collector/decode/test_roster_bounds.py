"""Who is forgotten, reverse ports, and what sequences are told to forget: each function by itself."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from flowdiag.collector.decode.allowance import Allowance
from flowdiag.collector.decode.decoder import Decoder
from flowdiag.collector.decode.flows import _swapped_ports
from flowdiag.collector.decode.limits import MAX_GAPS, Limits
from flowdiag.collector.decode.roster import Roster
from flowdiag.collector.decode.sequence import Messages, Sequences
from flowdiag.collector.report import ExportReport, SessionReport
from tests.collector.decode.wire import a_set, datagrams, flow, ipfix, session, with_template


def roster() -> Roster:
    return Roster(ExportReport(), Limits())


def told(records: int = 1) -> SessionReport:
    return SessionReport(b"", 0, 1, "ipfix", records=records)


def test_a_session_goes_with_its_last_domain_and_not_before() -> None:
    known = roster()
    stream = known.add_stream(session())
    first, second = (known.add_domain(stream, 10, number, told()) for number in (1, 2))
    assert known.forget_one(0) is first
    assert known.stream(session()) is stream
    assert known.forget_one(0) is second
    assert known.stream(session()) is None


def test_a_session_that_began_anew_outlives_the_last_domain_of_the_old_one() -> None:
    known = roster()
    old = known.add_stream(session())
    known.add_domain(old, 10, 1, told())
    new = known.add_stream(session())
    known.forget_one(0)
    assert known.stream(session()) is new


def test_a_forgotten_domain_stays_until_its_epoch_has_been_read() -> None:
    known = roster()
    stream = known.add_stream(session())
    for number in (1, 2, 3):
        known.add_domain(stream, 10, number, told())
    for stretch in (4, 5, 7):
        known.forget_one(stretch)
    known.sweep(3)
    assert sorted(known.domains) == [0, 1, 2]
    known.sweep(5)
    assert sorted(known.domains) == [2]
    known.sweep(9)
    assert known.domains == {}


def test_each_epoch_has_a_higher_number_than_the_one_before() -> None:
    decoder = Decoder(ExportReport())
    numbers = [decoder._stretch.number]
    for sequence in range(3):
        (message,) = datagrams([ipfix(with_template(), a_set(256, flow()), sequence=sequence)])
        decoder.feed(message, "export")
        decoder.flush()
        numbers.append(decoder._stretch.number)
    assert numbers == sorted(set(numbers))
    decoder.flush()  # nothing has come
    assert decoder._stretch.number == numbers[-1]


def flows(source: Any, destination: Any, protocol: Any) -> Any:
    columns = (None if column is None else np.array(column) for column in (source, destination, protocol))
    one, other, number = columns
    return SimpleNamespace(ports=SimpleNamespace(source=one, destination=other), protocol=number)


@pytest.mark.parametrize(
    ("source", "destination", "protocol", "expected"),
    [
        # ICMP and ICMPv6 keep type and code in the destination port (RFC 7012 has no other place for them in v9).
        ([1, 2, 3, 4], [10, 20, 30, 40], [6, 1, 58, 17], ([10, 2, 3, 40], [1, 20, 30, 4])),
        ([1, 2], [10, 20], None, ([10, 20], [1, 2])),
        (None, [10, 20], [6, 1], ([10, 20], None)),
        ([1, 2], None, [6, 1], (None, [1, 2])),
        (None, None, [6, 1], (None, None)),
    ],
)
def test_the_reverse_direction_has_the_ports_the_other_way_round(
    source: Any, destination: Any, protocol: Any, expected: tuple[Any, Any]
) -> None:
    found = _swapped_ports(flows(source, destination, protocol))
    assert tuple(None if column is None else list(column) for column in found) == expected


def followed(count: int, units: int = 1, *, limits: Limits | None = None) -> tuple[Sequences, Allowance]:
    """A message each second of which the next number is missing, in a session that counts messages."""
    kept = Allowance(MAX_GAPS)
    sequences = Sequences(9, limits or Limits(), kept)
    numbers, zeros = np.arange(count), np.zeros(count, np.int64)
    many = np.full(count, units, np.int64)
    sequences.add(Messages(zeros, (2 * numbers).astype(np.uint32), many, zeros, zeros, 1000 * numbers, zeros))
    return sequences, kept


def test_sequences_forget_what_has_been_told_of_all_readings() -> None:
    sequences, kept = followed(5)
    gaps = kept.taken
    assert gaps > 0
    sequences.forget(2001)  # the gaps before the messages of the first and the second second
    assert 0 < kept.taken < gaps
    sequences.forget(10_000)
    assert kept.taken == 0


def test_what_comes_after_counting_anew_is_not_compared_with_what_came() -> None:
    sequences, kept = followed(5)
    sequences.count_anew()
    assert kept.taken == 0
    zeros = np.zeros(1, np.int64)
    sequences.add(Messages(zeros, np.array([900], np.uint32), zeros + 1, zeros, zeros, zeros + 99_000, zeros))
    _, trackers = sequences.believed()
    assert [tracker.gaps for tracker in trackers] == [[]]


@pytest.mark.parametrize(
    ("records", "kept"), [((1, 1, 1), 2), ((0, 1, 1), 2), ((0, 0, 1), 1), ((0, 0, 0), 0)]
)
def test_of_those_forgotten_as_many_reports_stay_as_domains_are_kept(
    records: tuple[int, ...], kept: int
) -> None:
    report = ExportReport()
    known = Roster(report, Limits(domains=2))
    stream = known.add_stream(session())
    for number, many in enumerate(records):
        known.add_domain(stream, 10, number, told(many))
        known.forget_one(0)
    known.sweep(0)
    assert len(report.sessions) == kept
    known.forget_reports()
    assert report.sessions == []


@pytest.mark.parametrize(("messages", "given_up"), [(1000, False), (1001, True)])
def test_a_reading_with_a_thousand_breaks_where_another_has_none_is_given_up(
    messages: int, given_up: bool
) -> None:
    """Messages of five records each that count records: as messages four are missing before each but the first."""
    kept = Allowance(MAX_GAPS)
    sequences = Sequences(10, Limits(open_gaps=5000), kept)
    numbers, zeros = np.arange(messages), np.zeros(messages, np.int64)
    five = np.full(messages, 5, np.int64)
    sequences.add(Messages(zeros, (5 * numbers).astype(np.uint32), five, zeros, zeros, 1000 * numbers, zeros))
    assert (kept.taken == 0) == given_up


@pytest.mark.parametrize(("lost", "given_up"), [(49, True), (50, False)])
def test_twenty_times_the_breaks_of_the_best_reading_are_not_hopeless(lost: int, given_up: bool) -> None:
    """1,000 breaks of messages, where so many records were lost one by one."""
    kept = Allowance(MAX_GAPS)
    sequences = Sequences(10, Limits(open_gaps=5000), kept)
    numbers, zeros = np.arange(1001), np.zeros(1001, np.int64)
    counted = 5 * numbers + np.minimum(numbers, lost)
    five = np.full(1001, 5, np.int64)
    sequences.add(Messages(zeros, counted.astype(np.uint32), five, zeros, zeros, 1000 * numbers, zeros))
    assert (kept.taken < 1000) == given_up  # else those of messages are kept too
