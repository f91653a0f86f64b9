"""Beats of keepalives: when one is due, how long a silence means something, how much is too much. Seconds throughout."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from msgspec.structs import replace

from flowdiag.aggregator.site_flows import DOWN, UP
from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.findings import (
    keepalive_excess,
    keepalive_irregular,
    keepalive_missing,
    keepalive_unanswered,
)
from flowdiag.diagnoser.findings.keepalive_excess import _running
from flowdiag.diagnoser.findings.keepalive_irregular import _cadence_s
from flowdiag.diagnoser.signals.keepalives import Beats, Gap, accounts, beats_in, gaps, mapped_address
from flowdiag.site.profile import Keepalive
from tests.diagnoser.building import ICMP, PING, TCP, UDP, Book, ms, profile

HOUR = 3600
TO = "198.51.100.1"
ROUTER: dict[str, Any] = {"link": "lte", "inside": "192.0.2.10", "outside": TO, "flags": 0}


def beats(*records: tuple[float, float], count: float = 1) -> Beats:
    """Records of one keepalive, from and to in seconds."""
    start, end = (np.array([round(record[side] * 1000) for record in records], np.int64) for side in (0, 1))
    counts = np.full(len(records), float(count))
    return Beats(start, end, counts, counts, counts * 84)


def silent(
    *records: tuple[float, float], span: tuple[int, int] = (0, 100), least: float = 30
) -> list[tuple[float, float]]:
    """Gaps of a keepalive due every ten seconds."""
    found = gaps([beats(*records)], 10_000, (span[0] * 1000, span[1] * 1000), least * 1000)
    return [(gap.start_ms / 1000, gap.end_ms / 1000) for gap in found]


@pytest.mark.parametrize(
    ("records", "found"),
    [
        ([(0, 50), (60, 100)], []),
        ([(0, 50), (85, 100)], [(60, 85)]),  # due at 60; half an interval of slack: 25 s are three beats
        ([(0, 50), (84.999, 100)], []),
        ([(25, 100)], [(0, 25)]),  # from the begin on
        ([(24.999, 100)], []),
        ([(0, 65)], [(75, 100)]),  # to the end
        ([(0, 65.001)], []),
        ([], [(0, 100)]),
        ([(0, 80), (10, 20), (90, 95)], []),  # a shorter record within a longer one ends nothing
        ([(-50, -20), (10, 100)], []),
        ([(0, 40), (200, 300)], [(50, 100)]),
    ],
)
def test_a_gap_is_from_the_first_beat_that_was_due_to_the_next_one_seen(
    records: list[tuple[float, float]], found: list[tuple[float, float]]
) -> None:
    assert silent(*records) == found


def test_beats_of_several_directions_or_links_fill_each_others_gaps() -> None:
    both = [beats((0, 50)), beats((40, 100))]
    assert gaps(both, 10_000, (0, 100_000), 30_000) == []
    assert gaps(both[:1], 10_000, (0, 100_000), 30_000) == [Gap(60_000, 100_000)]


@pytest.mark.parametrize(
    ("begin", "end", "count"),
    [(0, 100, 12), (0, 20, 4), (10, 30, 4), (20, 30, 2), (60, 61, 0), (50, 51, 6), (49, 50, 0)],
)
def test_beats_in_a_time_are_those_of_the_part_of_each_record(begin: int, end: int, count: float) -> None:
    """Six over thirty seconds, and six at once at the fiftieth."""
    both = beats((0, 30), (50, 50), count=6)
    assert beats_in(both, Gap(begin * 1000, end * 1000)) == pytest.approx(count)
    assert beats_in(beats(), Gap(0, 1000)) == 0.0


def test_addresses_are_mapped_and_names_are_none() -> None:
    assert mapped_address("192.0.2.1") == bytes(10) + b"\xff\xff\xc0\x00\x02\x01"
    assert mapped_address("2001:db8::1") == b"\x20\x01\x0d\xb8" + bytes(11) + b"\x01"
    assert mapped_address("check.example") is None


def hour(keepalive: Keepalive = PING, book: Book | None = None, **more: Any) -> Case:
    made = book or Book()
    made.browse(0, HOUR, every=5)
    return made.case(profile(keepalives=[keepalive]), span=(0, HOUR), **more)


@pytest.mark.parametrize(
    ("interval_s", "sampling", "least_s"),
    [(10, 1, 60), (20, 1, 60), (21, 1, 63), (60, 1, 180), (10, 4, 480), (60, 0.1, 180)],
)
def test_a_silence_means_something_after_three_intervals_and_a_minute(
    interval_s: float, sampling: float, least_s: float
) -> None:
    case = hour(Keepalive(destination=TO, protocol="icmp", interval_s=interval_s))
    case = replace(case, coverage=replace(case.coverage, sampling=sampling))
    (account,) = accounts(case)
    assert account.interval_ms == interval_s * 1000
    assert account.least_ms(case) == least_s * 1000


@pytest.mark.parametrize(("pause", "missing"), [(60, 1), (55, 1), (54, 0)])
def test_a_minute_without_a_beat_is_missing(pause: float, missing: int) -> None:
    """Due every ten seconds; the last before the pause at 1190, the next one due at 1200."""
    book = Book()
    book.pings(0, 1200)
    book.pings(1200 + pause, HOUR)
    # A minute less half a beat of slack.
    case = hour(book=book)
    found = keepalive_missing.find(case)
    assert len(found) == missing
    if missing:
        assert (found[0].evidence["missing_s"], found[0].evidence["intervals_missed"]) == (
            float(pause),
            pause // 10,
        )


def matching(keepalive: Keepalive, *rows: dict[str, Any]) -> list[int]:
    """Ports inside of the rows that are taken for the keepalive's."""
    book = Book()
    for number, row in enumerate(rows):
        how = {**ROUTER, "inside_port": number, "protocol": UDP, "port": 7, **row}
        book.row(number, number, way=UP, octets=84, packets=1, **how)
    case = hour(keepalive, book)
    (account,) = accounts(case)
    return sorted(case.flows.inside_port[account.rows].tolist())


def test_a_keepalive_is_known_by_its_destination_protocol_and_port() -> None:
    rows: list[dict[str, Any]] = [
        {}, {"port": 8}, {"protocol": TCP}, {"outside": "198.51.100.2"}, {"link": None}, {"link": "fibre"},
        {"protocol": ICMP, "port": 2048}, {"inside": "192.168.40.20"},
    ]  # fmt: skip
    assert matching(Keepalive(destination=TO, protocol="udp", port=7, interval_s=10), *rows) == [0, 5]
    assert matching(Keepalive(destination=TO, protocol="icmp", interval_s=10), *rows) == [6]
    # Where only hosts of the LAN use it, theirs are the checks.
    assert matching(Keepalive(destination=TO, protocol="udp", port=7, interval_s=10), rows[-1], rows[-1]) == [
        0,
        1,
    ]


@pytest.mark.parametrize(("lasts", "count"), [(4.999, 1), (5, 5)])
def test_a_short_connection_is_one_check_whatever_its_packets(lasts: float, count: int) -> None:
    book = Book()
    book.row(0, lasts, way=UP, octets=300, packets=5, protocol=TCP, port=443, **ROUTER)
    (account,) = accounts(hour(Keepalive(destination=TO, protocol="tcp", port=443, interval_s=10), book))
    assert account.requests.count.tolist() == [count]
    assert (account.requests.records, account.requests.longest_record_ms()) == (1, round(lasts * 1000))
    assert (account.replies.records, account.replies.longest_record_ms()) == (0, 0)


# Excess -------------------------------------------------------------------------------------------------------------


def test_sums_around_a_window_are_scaled_up_at_the_ends() -> None:
    values = np.array([1.0, 2.0, 3.0, 4.0])
    assert _running(values, 1).tolist() == [1, 2, 3, 4]
    assert _running(values, 3).tolist() == pytest.approx([4.5, 6, 9, 10.5])


@pytest.mark.parametrize(("times", "found"), [(10, True), (9.8, False)])
def test_ten_times_the_budget_is_excess(times: float, found: bool) -> None:
    """Of a keepalive due every ten seconds sixty a minute are ten times the budget."""
    book = Book()
    for minute in range(60):
        book.row(minute * 60, minute * 60 + 59.999, way=UP, octets=84 * 6 * times, packets=6 * times, protocol=ICMP,
                 port=2048, **ROUTER)  # fmt: skip
    excess = keepalive_excess.find(hour(book=book))
    assert bool(excess) == found
    if found:
        assert excess[0].evidence["packets_times_budget"] == 10.0
        assert excess[0].evidence["octets_times_budget"] == 10.0


@pytest.mark.parametrize(("minutes", "found"), [(3, True), (2, False)])
def test_three_minutes_of_it_are_enough(minutes: int, found: bool) -> None:
    book = Book()
    for minute in range(20, 20 + minutes):
        book.row(
            minute * 60,
            minute * 60 + 59.999,
            way=UP,
            octets=84 * 66,
            packets=66,
            protocol=ICMP,
            port=2048,
            **ROUTER,
        )
    excess = keepalive_excess.find(hour(book=book))
    assert bool(excess) == found
    if found:
        assert (excess[0].start_ms, excess[0].end_ms) == (ms(1200), ms(1379.999))
        assert excess[0].evidence["minutes"] == 3.0


def test_fewer_than_thirty_sampled_packets_prove_no_excess() -> None:
    for seen, found in ((30, True), (29, False)):
        book = Book()
        for number in range(seen):
            book.row(1200 + 6 * number, 1200 + 6 * number, way=UP, octets=8400, packets=100, protocol=ICMP, port=2048,
                     sampling=100, **ROUTER)  # fmt: skip
        assert bool(keepalive_excess.find(hour(book=book))) == found


# Cadence ------------------------------------------------------------------------------------------------------------


def test_the_cadence_is_the_time_from_beat_to_beat_without_pauses() -> None:
    # Two records of six over fifty seconds each, ten seconds apart: eleven steps in 110 s.
    assert _cadence_s(beats((0, 50), (60, 110), count=6), 60_000) == pytest.approx(10.0)
    # Apart by a pause: ten steps in a hundred seconds.
    assert _cadence_s(beats((0, 50), (110, 160), count=6), 60_000) == pytest.approx(10.0)
    assert _cadence_s(beats((0, 50), (109.999, 160), count=6), 60_000) == pytest.approx(160 / 11)
    # Checks of two seconds each, begun every twenty.
    assert _cadence_s(beats(*[(20 * n, 20 * n + 2) for n in range(11)]), 60_000) == pytest.approx(202 / 10)


def test_ten_beats_tell_a_cadence_and_nine_do_not() -> None:
    assert _cadence_s(beats((0, 90), count=10), 60_000) == pytest.approx(10.0)
    assert _cadence_s(beats((0, 80), count=9), 60_000) is None
    assert _cadence_s(beats((0, 0), count=10), 60_000) is None
    assert _cadence_s(beats(), 60_000) is None


@pytest.mark.parametrize(("interval", "found"), [(12.0, False), (12.1, True), (8.0, False), (7.9, True)])
def test_a_fifth_off_is_still_regular(interval: float, found: bool) -> None:
    book = Book()
    book.pings(0, HOUR, interval=interval)
    irregular = keepalive_irregular.find(hour(book=book))
    assert bool(irregular) == found
    if found:
        assert irregular[0].evidence["cadence_s"] == interval


# Replies ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("replies", "found"), [(180, False), (179, True)])
def test_half_of_the_replies_are_to_come(replies: int, found: bool) -> None:
    """Of 360 requests; every second is answered, so that no run of them is long."""
    book = Book()
    book.pings(0, HOUR, answered=False, a_record=1)
    for number in range(replies):
        book.row(20 * number, 20 * number, way=DOWN, octets=84, packets=1, protocol=ICMP, port=0, **ROUTER)
    unanswered = keepalive_unanswered.find(hour(book=book))
    assert [one.evidence["replies"] for one in unanswered] == ([179] if found else [])


def test_replies_that_come_by_another_link_are_replies() -> None:
    book = Book()
    book.pings(0, HOUR, answered=False)
    for number in range(360):
        book.row(
            10 * number,
            10 * number,
            way=DOWN,
            octets=84,
            packets=1,
            protocol=ICMP,
            port=0,
            **{**ROUTER, "link": "fibre"},
        )
    assert keepalive_unanswered.find(hour(book=book)) == []


@pytest.mark.parametrize(("missed", "found"), [(3, 0), (4, 1)])
def test_on_a_path_that_lost_nothing_one_loss_in_all_that_was_sent_is_assumed(
    missed: int, found: int
) -> None:
    """Of twenty others one lost is a twentieth: three in a row come by chance 20 x 0.05^3 = 0.0025 times, four 0.0001."""
    book = Book()
    for beat in range(20 + missed):
        book.row(60 * beat, 60 * beat, way=UP, octets=84, packets=1, protocol=ICMP, port=2048, **ROUTER)
        if not 10 <= beat < 10 + missed:
            book.row(60 * beat, 60 * beat, way=DOWN, octets=84, packets=1, protocol=ICMP, port=0, **ROUTER)
    case = hour(Keepalive(destination=TO, protocol="icmp", interval_s=60), book)
    ended = replace(case, coverage=replace(case.coverage, last_ms=ms(60 * (20 + missed))))
    assert len(keepalive_unanswered.find(ended)) == found


@pytest.mark.parametrize(
    ("begin", "end", "missing"), [(160, HOUR, 0), (180, HOUR, 1), (0, 3440, 0), (0, 3400, 1), (160, 3440, 0)]
)
def test_at_both_ends_of_the_export_a_record_and_a_minute_may_be_missing(
    begin: int, end: int, missing: int
) -> None:
    """Records of fifty seconds: 110 s at either end may have been told before, or not yet; 55 s more are missing."""
    book = Book()
    book.pings(begin, end)
    assert len(keepalive_missing.find(hour(book=book))) == missing
