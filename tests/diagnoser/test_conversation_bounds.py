"""Conversations, chatter, unusual rates, and what differs between two times: their own functions at their bounds."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from msgspec.structs import replace

from flowdiag.aggregator.site_flows import DOWN, UP
from flowdiag.diagnoser.signals import (
    chatter,
    conversations,
    scans,
    traffic_shift,
    unusual_rates,
)
from flowdiag.diagnoser.signals.timeline import Grid
from tests.diagnoser.building import ICMP, SYN, TCP, UDP, Book, bare, ms, profile

HOUR = 3600
SITE = profile(backup=False)


# Conversations ------------------------------------------------------------------------------------------------------


def keys(*rows: dict[str, Any]) -> list[int]:
    book = Book()
    for row in rows:
        book.row(0, 1, **{"way": UP, "octets": 60, **row})
    flows = book.case(SITE, span=(0, 60)).flows
    found: list[int] = conversations.conversation_keys(flows, np.arange(len(rows))).tolist()
    return found


def test_each_pair_of_ports_is_a_conversation_of_its_own() -> None:
    ports = (-1, 0, 1, 2, 65_534, 65_535)
    pairs = [{"inside_port": inside, "port": outside} for inside in ports for outside in ports]
    assert len(set(keys(*pairs))) == 36
    assert (
        len(set(keys(*({**pair, "protocol": protocol} for pair in pairs for protocol in (TCP, UDP))))) == 72
    )
    assert len(set(keys(*({**pair, "protocol": protocol} for pair in pairs for protocol in (ICMP, 58))))) == 2


def test_each_pair_of_addresses_is_a_conversation_of_its_own() -> None:
    places = [{"inside": f"192.168.40.{a}", "outside": f"203.0.113.{b}"} for a in range(9) for b in range(9)]
    assert len(set(keys(*places))) == 81
    # An inside address as the outside one of another conversation.
    turned = [
        {"inside": "192.0.2.1", "outside": "192.0.2.2"},
        {"inside": "192.0.2.2", "outside": "192.0.2.1"},
    ]
    assert len(set(keys(*turned))) == 2


@pytest.mark.parametrize(
    ("asked", "known", "found"),
    [
        (
            [5, 5 + (1 << 40)],
            [5],
            [True, False],
        ),  # alike in the bits that are looked at first, and higher than all
        ([5, 7, 7 + (1 << 40)], [5, 7], [True, True, False]),
        ([1 << 40, 5], [5], [False, True]),
        ([7], [5], [False]),
        ([7], [], [False]),
        ([], [7], []),
        ([7], [7], [True]),
        ([1, 2, 3, 2], [2, 2], [False, True, False, True]),
    ],
)
def test_keys_are_among_others(asked: list[int], known: list[int], found: list[bool]) -> None:
    told = conversations.among(np.array(asked, np.uint64), np.array(known, np.uint64))
    assert told.tolist() == found


@pytest.mark.parametrize(
    ("values", "again"),
    [
        ([3, 1, 3, 2], [True, False, True, False]),
        ([1, 1], [True, True]),
        ([1, 2], [False, False]),
        ([2, 1, 2, 1, 2], [True] * 5),
        ([4], [False]),
    ],
)
def test_what_occurs_again(values: list[int], again: list[bool]) -> None:
    assert conversations.occurring_again(np.array(values, np.uint64)).tolist() == again


@pytest.mark.parametrize(
    ("down", "up", "seen"),
    [(0, 0, False), (1, 100, True), (1, 101, False), (2, 200, True), (1, 0, True), (0, 9, False)],
)
def test_downloads_are_seen_where_they_are_a_hundredth_of_the_uploads(down: int, up: int, seen: bool) -> None:
    flows: Any = SimpleNamespace(direction=np.array([DOWN] * down + [UP] * up, np.int8))
    assert conversations.sees_downloads(flows) == seen


# Chatter ------------------------------------------------------------------------------------------------------------


def small(*rows: dict[str, Any]) -> Any:
    book = Book()
    for row in rows:
        how: dict[str, Any] = {
            "way": UP, "octets": 84, "packets": 1, "protocol": ICMP, "port": 2048, "outside": "198.51.100.1", **row,
        }  # fmt: skip
        book.row(how.pop("start", 0), how.pop("end", 1), **how)
    return book.case(SITE, span=(0, HOUR)).flows


def test_a_place_is_an_address_by_one_protocol_and_packets_of_both_ways_are_small_on_average() -> None:
    rows: list[dict[str, Any]] = [
        {"octets": 100}, {"octets": 500, "way": DOWN},  # 300 on average
        {"octets": 100, "protocol": UDP}, {"octets": 501, "way": DOWN, "protocol": UDP},
        {"octets": 301, "outside": "198.51.100.2"}, {"octets": 3000, "packets": 10, "outside": "198.51.100.3"},
    ]  # fmt: skip
    flows = small(*rows)
    assert chatter._small(flows, np.arange(6)).tolist() == [True, True, False, False, False, True]
    assert len(np.unique(chatter._destinations(flows, np.arange(6)))) == 4
    neighbours = small({"protocol": 6}, {"protocol": 7}, {"protocol": 255}, {"protocol": 127})
    assert len(np.unique(chatter._destinations(neighbours, np.arange(4)))) == 4


@pytest.mark.parametrize(
    ("count", "octets", "lonely"), [(5, 100, True), (4, 100, False), (5, 180_000, True), (5, 180_001, False)]
)
def test_a_lonely_place_has_five_records_of_one_address_at_two_kilobits_a_second(
    count: int, octets: float, lonely: bool
) -> None:
    """900,000 octets in an hour are 2,000 bit/s."""
    flows = small(*({"octets": octets} for _ in range(count)), {"outside": "198.51.100.9"})
    found = chatter._lonely(flows, np.arange(count), HOUR * 1000)
    assert found[flows.outside[0]] == lonely
    assert np.count_nonzero(found) == lonely
    visited = small(*({"octets": octets} for _ in range(count)), {"inside": "192.168.40.99"})
    assert not chatter._lonely(visited, np.arange(count + 1), HOUR * 1000).any()


@pytest.mark.parametrize(
    ("spans", "goes_on"),
    [
        ([(0, 10), (1000, 1800)], False),  # silent for 990 s
        ([(0, 100), (1000, 1800)], True),  # a quarter of an hour, and half of it in all
        ([(0, 99), (1000, 1800)], False),
        ([(0, 200), (1000, 1799)], False),
        ([(0, 1800), (10, 20), (2700, 2800)], True),  # the first one lasts longer than the second
        ([(0, 1800), (10, 20), (2701, 2800)], False),
    ],
)
def test_chatter_goes_on_for_half_of_the_time_without_long_pauses(
    spans: list[tuple[float, float]], goes_on: bool
) -> None:
    flows = small(*({"start": begin, "end": end} for begin, end in spans))
    assert chatter._goes_on(flows, np.arange(len(spans)), HOUR * 1000) == goes_on


def test_the_mean_size_of_packets() -> None:
    flows = small({"octets": 300, "packets": 2}, {"octets": 100, "packets": 2}, {"octets": 7, "packets": 0.5})
    assert chatter._mean_octets(flows, np.arange(2)) == 100.0
    assert chatter._mean_octets(flows, np.array([2])) == 7.0


# What differs between two times -------------------------------------------------------------------------------------


def test_a_part_of_a_hundredth_is_worth_naming_and_one_of_half_explains() -> None:
    book = Book()
    for number, octets in enumerate((500_000, 250_000, 240_000, 10_000)):
        book.row(
            100,
            200,
            way=DOWN,
            octets=octets,
            outside=f"203.0.113.{1 + number}",
            inside=f"192.168.40.{20 + number}",
        )
    case = book.case(SITE, span=(0, HOUR), window=(100, 200))
    before = replace(case, window_ms=(ms(0), ms(100)))
    found = traffic_shift.shifts(case, before, 0, DOWN)
    assert (found.asked_octets, found.other_octets) == (1_000_000, 0)
    assert found.explanation is not None
    assert [part.key for part in found.explanation.parts if part.kind == "destination"] == ["203.0.113.1"]
    assert found.explanation.asked_octets == 500_000
    turned = traffic_shift.shifts(before, case, 0, DOWN)
    assert turned.explanation is not None
    assert turned.explanation.other_octets == 500_000


# Unusual rates ------------------------------------------------------------------------------------------------------


def test_minutes_cover_all_windows_and_those_that_touch_the_window_are_asked_about() -> None:
    case = bare(window=(60, 120))
    assert (unusual_rates._minutes(case).bins, unusual_rates._minutes(case).step_ms) == (61, 60_000)
    short = replace(case, usage=replace(case.usage, window_ms=10_000))
    assert unusual_rates._minutes(short).bins == 11
    for window, asked in (
        ((60, 120), [1]),
        ((59.999, 120), [0, 1]),
        ((60, 120.001), [1, 2]),
        ((70, 80), [1]),
    ):
        told = replace(case, window_ms=(ms(window[0]), ms(window[1])))
        assert (
            np.flatnonzero(unusual_rates._asked_about(told, unusual_rates._minutes(case))).tolist() == asked
        )


@pytest.mark.parametrize(
    ("first", "last", "asked", "usual"),
    [
        (0, 1199, (0, 600), 14.5),  # the ten minutes beside
        (0, 1139, (0, 600), 9.0),  # nine: all that is covered
        (0, 599, (0, 600), 4.5),
        (0, 539, (0, 600), None),
        (60, 660, (600, 720), 6.0),  # minutes 1 to 9 are nine, and with the tenth and eleventh 1 to 11
        (600, 1259, (0, 60), 15.0),
    ],
)
def test_ten_minutes_beside_or_in_all_say_what_is_usual(
    first: float, last: float, asked: tuple[float, float], usual: float | None
) -> None:
    case = bare(span=(0, 1259), window=asked)
    case = replace(case, coverage=replace(case.coverage, first_ms=ms(first), last_ms=ms(last)))
    grid = unusual_rates._minutes(case)
    values = np.arange(grid.bins, dtype=float)
    found = unusual_rates._usual(case, grid, values, unusual_rates._asked_about(case, grid))
    assert found == usual
    unknown = replace(case, coverage=replace(case.coverage, first_ms=None))
    assert unusual_rates._usual(unknown, grid, values, np.zeros(grid.bins, np.bool_)) is None


def test_sums_of_ten_minutes_the_highest_and_when_it_was() -> None:
    assert unusual_rates._in_ten(np.arange(1, 13)).tolist() == [
        55,
        65,
        75,
        72,
        68,
        63,
        57,
        50,
        42,
        33,
        23,
        12,
    ]
    values, asked = np.array([9.0, 1.0, 3.0, 3.0]), np.array([False, True, True, True])
    assert unusual_rates._highest(values, asked) == 3.0
    assert unusual_rates._highest(values, np.zeros(4, np.bool_)) == 0.0
    grid = Grid(ms(0), 60_000, 4)
    assert unusual_rates._when(grid, values, asked) == ms(120)
    assert unusual_rates._when(grid, np.zeros(4), asked) == ms(60)


def test_half_open_connections_count_where_they_come_in_over_a_link() -> None:
    def found(**row: Any) -> Any:
        book = Book()
        how: dict[str, Any] = {
            "way": DOWN,
            "octets": 36_000,
            "packets": 600,
            "flags": SYN,
            "opened_inside": 0,
            **row,
        }
        book.row(60, 119, **how)
        return unusual_rates._half_open(book.case(SITE, span=(0, 1259), window=(0, 600)))

    rate = found()
    assert (rate.most, rate.usual, rate.at_ms) == (600, 0.0, ms(60))
    for other in ({"link": None}, {"way": UP}, {"flags": 0x12}, {"packets": 599}, {"sampling": 2}):
        assert found(**other) is None


@pytest.mark.parametrize(("usual", "found"), [(200, True), (201, False)])
def test_half_open_connections_are_unusual_at_three_times_the_usual(usual: int, found: bool) -> None:
    book = Book()
    for minute in range(21):
        packets = 600 if minute == 5 else usual
        book.row(minute * 60, minute * 60 + 59, way=DOWN, octets=60 * packets, packets=packets, flags=SYN,
                 opened_inside=0, inside_port=minute)  # fmt: skip
    rate = unusual_rates._half_open(book.case(SITE, span=(0, 1259), window=(0, 600)))
    assert (rate is not None) == found
    assert rate is None or (rate.most, rate.usual) == (600, 200.0)


def test_scans_of_a_part_of_the_time_begin_in_it() -> None:
    book = Book()
    for number in range(30):
        book.row(number * 10, number * 10, way=UP, octets=60, packets=1, flags=SYN, port=8291, inside="192.168.40.66",
                 outside=f"198.18.0.{1 + number}", inside_port=9000 + number)  # fmt: skip
    case = book.case(SITE, span=(0, HOUR))
    for begin, end, addresses in (
        (0, 300, 30),
        (0, 290, 29),
        (0, 290.001, 30),
        (10, 300, 29),
        (10.001, 300, 28),
        (0, 40, 0),
    ):
        found = scans.scans_from(case, 10, (ms(begin), ms(end)))
        assert sum(scan.addresses for scan in found) == addresses
