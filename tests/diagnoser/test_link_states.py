"""What each link did in each minute."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from flowdiag.aggregator.site_flows import DOWN, UP
from flowdiag.diagnoser.signals.link_states import (
    CARRYING,
    KEEPALIVES,
    SILENT,
    STATE_NAMES,
    UNKNOWN,
    Candidate,
    heard_ms,
    link_states,
)
from tests.diagnoser.building import PING, UDP, Book, packed, profile


def test_each_minute_has_its_state() -> None:
    book = Book()
    book.browse(0, 180)
    book.pings(60, 180)
    book.browse(120, 180, link="lte")
    case = book.case(profile(keepalives=[PING]), span=(0, 300), heard=[(0, 239)])
    fibre, lte = link_states(case).states.tolist()
    assert fibre[:5] == [CARRYING, CARRYING, CARRYING, SILENT, UNKNOWN]
    assert lte[:5] == [SILENT, KEEPALIVES, CARRYING, SILENT, UNKNOWN]


def test_a_keepalive_that_the_profile_does_not_list_is_named_with_its_interval() -> None:
    book = Book()
    book.browse(0, 3600)
    book.pings(0, 3600, interval=10)
    (candidate,) = link_states(book.case(span=(0, 3600))).candidates
    assert candidate.address.endswith(bytes([198, 51, 100, 1]))
    assert (candidate.link, candidate.protocol, candidate.packet_octets) == (1, 1, 84)
    assert abs(candidate.interval_s - 10) < 0.1


def test_many_places_on_the_backup_are_no_keepalives() -> None:
    book = Book()
    for place in range(5):
        for start in range(0, 3600, 30):
            book.talk(start, start, 84, 84, link="lte", packets=1, outside=f"203.0.113.{place + 1}")
    assert link_states(book.case(span=(0, 3600))).candidates == ()


def test_the_routers_own_chatter_is_told_by_interface_zero_only_if_others_have_one() -> None:
    for lan_interface, ordinary in ((1, False), (0, True)):
        book = Book()
        for start in range(0, 600, 10):
            book.row(start, start + 1, way=UP, octets=50_000, ingress=lan_interface, egress=2)
        book.row(5, 5, way=UP, octets=76, packets=1, ingress=0, egress=2, inside="192.0.2.10")
        assert bool(link_states(book.case(span=(0, 600))).ordinary[-1]) is ordinary


@pytest.mark.parametrize(("octets", "state"), [(3000, CARRYING), (2999, KEEPALIVES)])
def test_a_minute_carries_from_400_bits_a_second_on(octets: int, state: int) -> None:
    book = Book()
    book.row(60, 119, way=UP, octets=octets)
    book.pings(60, 120, link="fibre")  # what keepalives take is no part of it
    case = book.case(profile(keepalives=[PING]), span=(0, 179))
    assert link_states(case).states[0].tolist() == [SILENT, state, SILENT]


def heartbeat(
    count: int = 10, *, every: float = 120, first: float = 0, octets: float = 100, **how: Any
) -> Book:
    """An hour in which one inside address reaches one place by the backup, a packet a record."""
    book = Book()
    for place in range(count):
        start = first + every * place
        more: dict[str, Any] = {"inside": "192.0.2.10", "protocol": UDP, "port": 500, "packets": 1, **how}
        book.row(start, start, way=UP, octets=octets, link="lte", **more)
    return book


def candidates(book: Book, **more: Any) -> tuple[Candidate, ...]:
    return link_states(book.case(span=(0, 3599), **more)).candidates


def chatters(book: Book) -> bool:
    """Whether nothing of an hour on the backup is ordinary traffic."""
    return not link_states(book.case(span=(0, 3599))).ordinary.any()


def test_a_candidate_has_its_place_and_its_mean_distance_and_size() -> None:
    # Sixty-one packets from 0 to 3,000 s.
    assert candidates(heartbeat(61, every=50)) == (
        Candidate(1, packed("203.0.113.9"), UDP, 500, interval_s=50.0, packet_octets=100),
    )
    (ping,) = candidates(heartbeat(61, every=50, protocol=1, port=2048))
    assert ping.port == -1


@pytest.mark.parametrize(
    ("how", "steady"),
    [
        ({"count": 5, "every": 450}, True),  # five records, from 0 to 1,800 s: half of the hour
        ({"count": 4, "every": 600}, False),
        ({"count": 5, "every": 449}, False),
        ({"count": 5, "every": 800}, True),
        ({"count": 5, "every": 899}, True),
        ({"count": 61, "every": 30, "octets": 300}, True),
        ({"count": 61, "every": 30, "octets": 301}, False),  # larger than a heartbeat is
        # 2,000 bit/s for an hour are 900,000 octets.
        ({"count": 100, "every": 30, "octets": 9000, "packets": 30}, True),
        ({"count": 100, "every": 30, "octets": 9001, "packets": 31}, False),
    ],
)
def test_a_heartbeat_is_small_slow_and_steady(how: dict[str, Any], steady: bool) -> None:
    assert chatters(heartbeat(**how)) == steady


@pytest.mark.parametrize(("pause", "steady"), [(900, True), (901, False)])
def test_a_heartbeat_is_never_silent_for_more_than_a_quarter_of_the_time(pause: float, steady: bool) -> None:
    book = heartbeat(10, every=100)
    book.rows += heartbeat(2, first=900 + pause, every=500).rows
    assert chatters(book) == steady


def test_one_packet_from_another_inside_address_makes_a_place_ordinary() -> None:
    book = heartbeat(61, every=50)
    book.row(
        1000, 1000, way=UP, octets=100, packets=1, link="lte", protocol=UDP, port=500, inside="192.0.2.11"
    )
    assert candidates(book) == ()


@pytest.mark.parametrize(("places", "told"), [(1, 1), (2, 2), (3, 0)])
def test_two_places_are_watched_and_more_are_traffic(places: int, told: int) -> None:
    book = Book()
    for place in range(places):
        book.rows += heartbeat(61, every=50, first=place).rows
        book.rows[-61:] = [(*row[:7], book.place(f"198.51.100.{place}"), *row[8:]) for row in book.rows[-61:]]
    book.place("192.0.2.10")
    case = book.case(span=(0, 3599))
    assert len(link_states(case).candidates) == told
    assert bool(link_states(case).ordinary.any()) == (not told)


def test_the_time_heard_is_that_of_whole_windows() -> None:
    case = heartbeat().case(span=(0, 599), heard=[(0, 59), (120, 239)])
    assert heard_ms(case) == 180_000
    assert link_states(heartbeat().case(span=(0, 3599), heard=[])).candidates == ()


@pytest.mark.parametrize(
    ("octets", "lasts", "ordinary"),
    [
        (15_000, 0, False),  # 2,000 bit/s over a minute at least
        (15_001, 0, True),
        (15_000, 60, False),
        (30_000, 120, False),
        (30_001, 120, True),
    ],
)
@pytest.mark.parametrize("way", [UP, DOWN])
def test_the_routers_chatter_is_slow(octets: int, lasts: float, ordinary: bool, way: int) -> None:
    book = Book()
    named, nameless = ({"ingress": 1}, {"ingress": 0}) if way == UP else ({"egress": 1}, {"egress": 0})
    book.row(0, 60, way=way, octets=1_000_000, **named)
    book.row(0, lasts, way=way, octets=octets, **nameless)
    assert link_states(book.case(span=(0, 300))).ordinary.tolist() == [True, ordinary]


@pytest.mark.parametrize(("named", "ordinary"), [(1000, False), (999, True)])
def test_interface_zero_tells_something_where_half_of_the_octets_name_theirs(
    named: int, ordinary: bool
) -> None:
    book = Book()
    book.row(0, 60, way=UP, octets=named, ingress=1)
    book.row(0, 60, way=UP, octets=1000, ingress=0)
    assert link_states(book.case(span=(0, 300))).ordinary.tolist() == [True, ordinary]


@pytest.mark.parametrize(
    ("how", "stray"),
    [
        ({"octets": 360, "packets": 3}, True),
        ({"octets": 361, "packets": 3}, False),
        ({"octets": 400, "packets": 4}, False),
        ({"octets": 30_000, "packets": 300, "sampling": 100}, True),  # three that were seen
        ({"octets": 360, "packets": 3, "opened_inside": 1}, False),
        ({"octets": 360, "packets": 3, "opened_inside": -1}, False),
    ],
)
def test_three_small_packets_that_nobody_asked_for_are_no_traffic(how: dict[str, Any], stray: bool) -> None:
    book = Book()
    book.row(0, 1, way=DOWN, **{"opened_inside": 0, **how})
    assert bool(np.all(~link_states(book.case(span=(0, 60))).ordinary)) == stray


def test_states_have_their_names() -> None:
    named = [STATE_NAMES[state] for state in (SILENT, KEEPALIVES, CARRYING, UNKNOWN)]
    assert named == ["silent", "keepalives only", "carrying", "unknown"]
