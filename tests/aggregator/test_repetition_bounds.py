"""Repetitions, repeated starts and second sources at their bounds."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from msgspec.structs import replace

from flowdiag.addresses import to_bytes
from flowdiag.aggregator import duplicates, same_packets, shared_starts
from flowdiag.aggregator.duplicates import _one_by_one, _sent_together, repeated, without_duplicates
from flowdiag.aggregator.records import MESSAGE_NUMBERS, NO_MESSAGE
from flowdiag.aggregator.same_packets import _same, _Talks
from flowdiag.aggregator.shared_starts import with_own_starts
from flowdiag.collector.report import ExportReport, SessionReport
from tests.aggregator.tables import EXPORTER, START, Row, build, int_array, octets_by_direction, up
from tests.aggregator.test_repetitions import told

OTHER = "192.0.2.11"


def counted(*rows: Row) -> float:
    """Octets of the site's uploads, of records that came in a message each, none right behind the other."""
    between = [up(src_port=7, octets=0, start=900 + n, end=900 + n) for n in range(len(rows))]
    return octets_by_direction(
        told([part for row, gap in zip(rows, between, strict=True) for part in ([row], [gap])])[0]
    )[1]


@pytest.mark.parametrize(
    ("start", "end", "octets"),
    [
        (0.5, 10.5, 1000),  # half a second apart at both ends
        (0.501, 10.5, 2000),
        (0.5, 10.501, 2000),
        (0, 10.5, 1000),
    ],
)
def test_copies_begin_and_end_within_half_a_second(start: float, end: float, octets: int) -> None:
    assert counted(up(start=0, end=10), up(start=start, end=end)) == octets
    assert counted(up(start=start, end=end), up(start=0, end=10)) == octets


def test_a_copy_of_a_copy_may_be_further_off() -> None:
    assert counted(*(up(start=at, end=at + 10) for at in (0, 0.4, 0.8))) == 1000


@pytest.mark.parametrize(("copies", "octets"), [(4, 1000), (5, 5000)])
def test_four_copies_count_once_and_five_are_none(copies: int, octets: int) -> None:
    assert counted(*(up(start=0.1 * n, end=0.1 * n + 10) for n in range(copies))) == octets


@pytest.mark.parametrize(("single", "octets"), [(4, 200), (5, 5 * 200)])
def test_more_than_four_single_packets_within_moments_are_reported_one_by_one(
    single: int, octets: int
) -> None:
    packets = [up(start=0.1 * n, end=0.1 * n, octets=200, packets=1) for n in range(single)]
    assert counted(*packets) == octets
    # Of a sampled export a single packet stands for many.
    sampled = [{**row, "packets": 100, "sampling": 100} for row in packets]
    assert counted(*sampled) == octets


@pytest.mark.parametrize(("pairs", "others", "twice"), [(2, 4, True), (2, 5, False)])
def test_all_is_metered_twice_where_half_of_the_lasting_records_have_their_like_beside_them(
    pairs: int, others: int, twice: bool
) -> None:
    """Two flows come in pairs: four of eight records have their like beside them, or of nine."""
    rows = [
        up(src_port=port, end=30.0, octets=3000, packets=6) for port in range(1, pairs + 1) for _ in range(2)
    ]
    rows += [up(src_port=100 + port, end=30.0, octets=3000, packets=6) for port in range(others)]
    probes = [up(src_port=200, octets=60, packets=1, start=50, end=50) for _ in range(2)]
    flows, _ = told([[*rows, *probes]])
    told_once, told_each = (pairs + others) * 3000 + 60, (2 * pairs + others) * 3000 + 2 * 60
    assert octets_by_direction(flows)[1] == (told_once if twice else told_each)


def together(messages: list[int], rows: list[int], single: list[bool]) -> list[bool]:
    flows = build([up(src_port=n + 1) for n in range(100)])[0]
    whole = np.zeros(len(flows), np.uint16)
    whole[rows] = messages
    return _sent_together(
        replace(flows, message=whole), np.array(rows), np.array(rows), np.array(single)
    ).tolist()


def test_records_were_sent_together_in_one_message_or_as_single_packets_across_two() -> None:
    assert together([5, 5], [0, 60], [False, False]) == [True]
    assert together([5, 6], [0, 1], [True, True]) == [True]
    assert together([5, 6], [0, 2], [True, True]) == [False]  # another record is between them
    assert together([5, 6], [0, 1], [True, False]) == [False]
    assert together([5, 7], [0, 1], [True, True]) == [False]
    assert together([MESSAGE_NUMBERS, 1], [0, 1], [True, True]) == [True]  # numbers begin anew
    assert together([NO_MESSAGE, NO_MESSAGE], [0, 1], [False, False]) == [True]
    assert together([NO_MESSAGE, NO_MESSAGE], [0, 2], [False, False]) == [False]
    assert together([NO_MESSAGE, 1], [0, 1], [True, True]) == [True]


def test_one_by_one_are_more_than_four_lots_of_one_conversation_within_moments() -> None:
    near, apart, single = np.ones(4, np.bool_), np.zeros(4, np.bool_), np.ones(5, np.bool_)
    assert _one_by_one(near, apart, single)
    assert not _one_by_one(near[1:], apart[1:], single[1:])
    assert not _one_by_one(near, np.array([True, False, False, False]), single)  # two of them in one message
    assert not _one_by_one(np.array([True, True, False, True]), apart, single)
    assert not _one_by_one(near, apart, np.array([True, True, True, True, False]))


def test_keys_that_occur_again_are_found_in_their_places() -> None:
    assert repeated(np.array([5, 3, 5, 9, 3, 1], np.uint64)).tolist() == [0, 1, 2, 4]
    assert repeated(np.array([5, 3], np.uint64)).tolist() == []
    assert repeated(np.zeros(0, np.uint64)).tolist() == []


def test_what_lies_on_no_link_is_no_repetition() -> None:
    local = up(egress_interface=9)
    flows, dropped = without_duplicates(build([local, up(src_port=3), local])[0])
    assert (len(flows), dropped) == (3, 0)


# Starts that are repeated -------------------------------------------------------------------------------------------


def starts(*pieces: tuple[float, float], **more: Any) -> list[float]:
    """Starts of the pieces in order of their ends, as they are put in order; each has other octets."""
    flows = build([up(start=a, end=b, octets=100 + n, **more) for n, (a, b) in enumerate(pieces)])[0]
    return [(at - START) / 1000 for at in flows.start_ms[np.argsort(flows.end_ms, kind="stable")].tolist()]


def test_a_piece_begins_where_the_one_before_it_ended() -> None:
    assert starts((0, 60), (0, 120), (0, 150)) == [0, 60, 120]
    assert starts((0, 150), (0, 60), (0, 120)) == [0, 60, 120]
    assert starts((0, 60), (0.02, 120)) == [0, 60]  # the start differs by rounding
    assert starts((0, 60), (0.021, 120)) == [0, 0.021]
    assert starts((0, 60), (0, 60.5)) == [0, 0]  # such are copies
    assert starts((0, 60), (0, 60.501)) == [0, 60]
    assert starts((60, 60), (60, 120)) == [60, 60]


def test_starts_that_were_moved_are_counted() -> None:
    flows = build([up(src_port=port, octets=port) for port in range(1, 4)])[0]
    flows.start_ms[:] = START
    flows.end_ms[:] = START + np.array([1000, 2000, 3000])
    assert with_own_starts(flows)[1] == 0
    flows.inside_port[:] = 9
    moved, count = with_own_starts(flows)
    assert (count, (moved.start_ms - START).tolist()) == (2, [0, 1000, 2000])


def test_where_a_sample_shows_starts_that_are_shared_all_rows_are_looked_at(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Forty conversations in three pieces each, of which the sample holds some."""
    flows = build([up(src_port=port, octets=3 * port + n) for port in range(1, 41) for n in range(3)])[0]
    flows.start_ms[:] = START
    flows.end_ms[:] = START + np.tile([1000, 2000, 3000], 40)
    for module in (duplicates, shared_starts):
        monkeypatch.setattr(module, "ALWAYS_LOOKED_AT", 119)
    assert len(duplicates.sampled(flows)) < 120
    moved, count = with_own_starts(flows)
    assert count == 80
    assert (moved.start_ms - START).tolist() == [0, 1000, 2000] * 40


# Second sources -----------------------------------------------------------------------------------------------------


def talks(*some: tuple[int, float, int, int]) -> _Talks:
    """Conversations by key, octets, first and last time."""
    keys, octets, first, last = zip(*some, strict=True)
    return _Talks(np.array(keys, np.uint64), np.array(octets, float), int_array(*first), int_array(*last))


@pytest.mark.parametrize(
    ("lesser", "same"),
    [
        ([(1, 100, 0, 9), (2, 100, 0, 9)], True),
        ([(1, 80, 0, 9), (3, 20, 0, 9)], True),  # four fifths of the lesser source's octets
        ([(1, 79, 0, 9), (3, 21, 0, 9)], False),
        ([(1, 80, 9, 20), (3, 20, 0, 9)], True),  # it begins as the other ends
        ([(1, 80, 10, 20), (3, 20, 0, 9)], False),
        ([(1, 80, -20, 0), (3, 20, 0, 9)], True),
        ([(1, 80, -20, -1), (3, 20, 0, 9)], False),
        ([(3, 100, 0, 9)], False),
        ([(1, 0, 0, 9)], False),  # nothing is no evidence
        ([(1, 1000, 0, 9), (3, 9000, 0, 9)], False),  # in common are 100 of the greater's 200
        ([(1, 1000, 0, 9), (2, 60, 0, 9), (3, 9000, 0, 9)], True),  # 160 of 200
    ],
)
def test_the_same_conversations_at_the_same_times_are_the_same_packets(
    lesser: list[tuple[int, float, int, int]], same: bool
) -> None:
    assert _same(talks(*lesser), talks((1, 100, 0, 9), (2, 100, 0, 9))) == same


def test_of_very_many_records_some_conversations_are_compared(monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[int] = []
    real = same_packets._talks_by_source

    def looked(*given: Any) -> Any:
        asked.append(given[-1])
        return real(*given)

    monkeypatch.setattr(same_packets, "_talks_by_source", looked)
    rows = [up(src_port=port, exporter=of) for port in range(1, 41) for of in (EXPORTER, OTHER)]
    for most, one_in in ((80, 1), (79, 16)):
        monkeypatch.setattr(same_packets, "MOST_RECORDS", most)
        asked.clear()
        build([{**row, "octets": 1000 + (row["exporter"] == OTHER)} for row in rows])
        assert asked == [one_in]


def test_clocks_that_are_set_right_bring_times_together() -> None:
    rows = [up(src_port=port, end=10, exporter=EXPORTER) for port in range(1, 41)]
    rows += [up(src_port=port, start=100, end=110, octets=1001, exporter=OTHER) for port in range(1, 41)]
    for offset, octets in ((-100_000, 40_000), (None, 80_040)):
        other = SessionReport(to_bytes(OTHER), 1, 0, "ipfix", messages=1, clock_offset_ms=offset)
        told_both = ExportReport(
            sessions=[SessionReport(to_bytes(EXPORTER), 1, 0, "ipfix", messages=1), other]
        )
        assert octets_by_direction(build(rows, report=told_both)[0])[1] == octets
