"""Spells at a limit, conversations, losses, silences, outages and unusual rates: their own functions at their bounds."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from flowdiag.aggregator.site_flows import DOWN, UP
from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.findings import outage, outbound_scan
from flowdiag.diagnoser.signals import (
    at_limit,
    baseline,
    chatter,
    conversations,
    cut_off,
    edges,
    episodes,
    short_outages,
    silences,
    traffic_shift,
    unusual_rates,
)
from flowdiag.diagnoser.signals.at_limit import AtLimit
from flowdiag.diagnoser.signals.cut_off import STEP_MS, Outage, Scene
from flowdiag.diagnoser.signals.episodes import Episode
from flowdiag.diagnoser.signals.timeline import Grid
from flowdiag.durations import MINUTE_MS
from flowdiag.site.hours import parse_hours
from flowdiag.site.profile import Profile
from tests.diagnoser.building import ICMP, MINUTE, SYN, TCP, UDP, Book, ms, profile

HOUR, DAY = 3600, 86_400
SITE = profile(backup=False)
MBPS_MINUTE = 7_500_000


def bare(site: Profile = SITE, span: tuple[float, float] = (0, HOUR), **more: Any) -> Case:
    book = Book()
    book.row(span[0], span[0] + 1, way=DOWN, octets=1000)
    return book.case(site, span=span, **more)


def minutes(*rates: float, site: Profile = SITE, **more: Any) -> Case:
    """Downloads at a rate in Mbit/s in each minute."""
    book = Book()
    for minute, rate in enumerate(rates):
        book.row(minute * MINUTE, (minute + 1) * MINUTE - 0.001, way=DOWN, octets=rate * MBPS_MINUTE)
    return book.case(site, **more)


# Spells at a limit --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("resolution_s", "sampling", "lengths"),
    [
        (10, 1.0, (10_000, 20_000)),
        (5, 1.0, (5_000, 10_000)),
        (2, 1.0, (5_000, 4_000)),
        (14, 1.0, (10_000, 28_000)),
        (16, 1.0, (10_000, 30_000)),
        (60, 1.0, (10_000, 30_000)),
        (5, 2.0, (60_000, 30_000)),
    ],
)
def test_a_spell_is_two_windows_of_the_resolution_half_a_minute_at_most(
    monkeypatch: pytest.MonkeyPatch, resolution_s: int, sampling: float, lengths: tuple[int, int]
) -> None:
    monkeypatch.setattr(at_limit, "resolved_ms", lambda coverage: resolution_s * 1000)
    case = bare()
    case = replace(case, coverage=replace(case.coverage, sampling=sampling))
    assert at_limit._lengths(case) == lengths


def test_the_figures_of_spells() -> None:
    spells = ((ms(0), ms(30)), (ms(60), ms(100)), (ms(200), ms(240)))
    limit = AtLimit(0, DOWN, spells, 440_000, ((90.0, 95.0), (97.0, 99.0), (92.0, 98.0)))
    assert limit.longest == spells[1]  # the first of two as long
    assert (limit.start_ms, limit.end_ms, limit.longest_ms, limit.rate_mbps) == (
        ms(60),
        ms(100),
        40_000,
        97.0,
    )
    assert (limit.total_ms, limit.share) == (110_000, 0.25)
    assert limit.rates(spells) == ((30 * 90 + 40 * 97 + 40 * 92) / 110, 99.0)
    assert limit.rates(spells[2:]) == (92.0, 98.0)


@pytest.mark.parametrize(
    ("rates", "begin", "end", "may_be"),
    [
        # 90 Mbit/s for half of half a minute are 22.5 in a minute.
        ([0, 0, 22.5, 0], 0, 240, True),
        ([0, 0, 22.4, 0], 0, 240, False),
        ([0, 0, 22.5, 0], 180, 240, False),
        ([0, 0, 22.5, 0], 179.999, 240, True),
        ([0, 0, 22.5, 0], 0, 120, False),
        ([0, 0, 22.5, 0], 0, 120.001, True),
        ([22.5, 0, 0, 0], -600, 60, True),
        ([22.5, 0, 0, 0], -600, 0, False),
        ([22.5, 0, 0, 22.5], 900, 960, False),
    ],
)
def test_a_spell_may_be_where_a_minute_carried_half_of_one(
    rates: list[float], begin: float, end: float, may_be: bool
) -> None:
    case = minutes(*rates, span=(0, 239))
    assert at_limit._may_be(case, 0, DOWN, 90.0, ms(begin), ms(end), 30_000) == may_be


@pytest.mark.parametrize(
    ("begin", "end", "grid"), [(0, 60, (0, 6)), (5, 60, (0, 6)), (10, 61, (10, 6)), (19.999, 20.001, (10, 2))]
)
def test_steps_cover_the_window(begin: float, end: float, grid: tuple[float, int]) -> None:
    found, rate = at_limit._rates(minutes(60, 30), 0, DOWN, ms(begin), ms(end), 10_000)
    assert ((found.start_ms - ms(0)) / 1000, found.bins) == grid
    assert rate[0] == pytest.approx(60, rel=1e-3)


def test_of_a_sampled_export_the_minutes_of_the_window_are_taken() -> None:
    case = minutes(10, 20, 30, 40)
    case = replace(case, coverage=replace(case.coverage, sampling=10.0))
    for begin, end, first, rates in (
        (0, 240, 0, [10, 20, 30, 40]),
        (61, 180, 1, [20, 30]),
        (-90, 61, 0, [10, 20]),
    ):
        found, rate = at_limit._rates(case, 0, DOWN, ms(begin), ms(end), 60_000)
        assert (found.start_ms, found.step_ms, found.bins) == (ms(60 * first), 60_000, len(rates))
        assert rate.tolist() == pytest.approx(rates)


@pytest.mark.parametrize(
    ("start", "end", "belongs"), [(0, 60, False), (0, 60.001, True), (360, 400, False), (359.999, 400, True)]
)
def test_a_spell_within_a_minute_of_a_sustained_time_belongs_to_it(
    start: float, end: float, belongs: bool
) -> None:
    sustained = [Episode(0, DOWN, ((2, 5),))]
    assert at_limit._belongs(bare(), sustained, ms(start), ms(end)) == belongs


@pytest.mark.parametrize(
    ("limits", "covered_s", "left"),
    [
        ([(0, DOWN, 0, 50)], 100, 1),  # half of it
        ([(0, DOWN, 0, 49.999)], 100, 0),
        ([(0, DOWN, 0, 30), (0, UP, 25, 50)], 100, 2),  # one or the other
        ([(0, DOWN, 0, 30), (0, UP, 10, 30)], 100, 0),
        ([(0, DOWN, 0, 30), (1, UP, 30, 60)], 100, 0),  # of two links
        ([(1, DOWN, 0, 10), (0, UP, 0, 60)], 100, 1),
        ([(0, DOWN, 0, 100)], 179.999, 1),
        ([(0, DOWN, 0, 100)], 180, 0),  # long enough for a sustained finding
    ],
)
def test_a_short_time_at_a_limit_is_left_open(
    monkeypatch: pytest.MonkeyPatch, limits: list[Any], covered_s: float, left: int
) -> None:
    found = tuple(
        AtLimit(link, way, ((ms(a), ms(b)),), round(1000 * covered_s), ((95.0, 99.0),))
        for link, way, a, b in limits
    )
    monkeypatch.setattr(at_limit, "at_limit", lambda case: found)
    assert len(at_limit.left_open(bare())) == left


@pytest.mark.parametrize(("end", "found"), [(30, 1), (29.999, 0)])
def test_a_window_shorter_than_a_spell_holds_none(
    monkeypatch: pytest.MonkeyPatch, end: float, found: int
) -> None:
    told = AtLimit(0, DOWN, ((ms(0), ms(30)),), 30_000, ((95.0, 99.0),))
    monkeypatch.setattr(at_limit, "_lengths", lambda case: (10_000, 30_000))
    monkeypatch.setattr(
        at_limit,
        "_of_direction",
        lambda case, link, direction, *more: told if (link, direction) == (0, DOWN) else None,
    )
    assert len(at_limit.at_limit(bare(window=(0, end)))) == found
    case = bare(window=(0, end))
    assert at_limit.at_limit(replace(case, coverage=replace(case.coverage, links_apart=False))) == ()


def test_the_longest_spell_comes_first_then_links_and_directions_in_order(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    lengths = {(0, DOWN): 30, (0, UP): 60, (1, DOWN): 60, (1, UP): 60}
    monkeypatch.setattr(
        at_limit, "_of_direction",
        lambda case, link, way, *more: AtLimit(link, way, ((ms(0), ms(lengths[link, way])),), 99, ((1.0, 1.0),)),
    )  # fmt: skip
    found = at_limit.at_limit(bare(profile()))
    assert [(limit.link, limit.direction) for limit in found] == [(0, UP), (1, DOWN), (1, UP), (0, DOWN)]


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
    assert len(np.unique(chatter._places(flows, np.arange(6)))) == 4


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


# Sampling and too many episodes -------------------------------------------------------------------------------------


@pytest.mark.parametrize(("error", "width"), [(0.02, 1), (0.0201, 3), (0.034, 3), (0.036, 5), (0.5, 15)])
def test_so_many_windows_bring_the_error_under_two_hundredths(
    monkeypatch: pytest.MonkeyPatch, error: float, width: int
) -> None:
    monkeypatch.setattr(episodes, "sampling_error", lambda case, link, direction: error)
    case = bare()
    assert episodes.smoothing(case, 0, DOWN) == 1
    assert episodes.smoothing(replace(case, coverage=replace(case.coverage, sampling=2.0)), 0, DOWN) == width


def test_busy_times_beside_full_ones_are_cut_out_and_short_rests_dropped() -> None:
    assert episodes._beside([(0, 40)], [(10, 20)], MINUTE_MS) == [(0, 10), (20, 40)]
    assert episodes._beside([(0, 40)], [(9, 31)], MINUTE_MS) == []
    assert episodes._beside([(0, 40)], [(0, 5), (15, 31)], MINUTE_MS) == [(5, 15)]
    assert episodes._beside([(0, 5), (6, 9)], [(5, 6)], MINUTE_MS) == [(0, 5), (6, 9)]
    assert episodes._beside([(0, 100)], [(60, 61)], 10_000) == [(0, 60)]


def test_groups_are_of_near_runs_or_cut_at_the_widest_gaps() -> None:
    runs = [(0, 1), (5, 6), (30, 31), (40, 41), (90, 91)]
    assert episodes._grouped(runs, 5, 15) == [(run,) for run in runs]
    assert episodes._grouped(runs, 4, 15) == [tuple(runs[:2]), tuple(runs[2:4]), (runs[4],)]
    assert episodes._grouped(runs, 2, 15) == [tuple(runs[:4]), (runs[4],)]
    assert episodes._grouped(runs, 1, 15) == [tuple(runs)]
    # Of equal gaps the first is cut.
    assert episodes._grouped([(0, 1), (21, 22), (42, 43)], 2, 15) == [((0, 1),), ((21, 22), (42, 43))]
    # Fifteen minutes apart is near.
    assert episodes._grouped([(0, 1), (16, 17)], 1, 15) == [((0, 1), (16, 17))]
    assert episodes._grouped([(0, 1), (16, 17), (33, 34)], 2, 15) == [((0, 1), (16, 17)), ((33, 34),)]


def test_runs_before_and_after_the_window_are_grouped_by_themselves() -> None:
    case = bare(window=(600, 1200))
    runs = [(0, 1), (3, 4), (9, 10), (10, 12), (19, 20), (20, 21), (25, 26)]
    found = episodes._grouped_by_time(case, case.usage, runs)
    assert found == [tuple(runs[:3]), *((run,) for run in runs[3:])]
    assert episodes._grouped_by_time(case, case.usage, runs[:6]) == [(run,) for run in runs[:6]]


# Habits -------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("begin", "end", "heard", "mean"),
    [
        (60, 180, (0, 600), 2.5),  # the second and the third minute
        (60, 60, (0, 600), 2.0),  # one minute at least
        (60, 119, (0, 600), 2.0),
        (0, 300, (60, 600), 3.0),  # heard four fifths of it
        (0, 300, (120, 600), None),
        (0, 601, (0, 600), None),  # not all of it is there
    ],
)
def test_a_day_counts_where_four_fifths_of_the_time_were_heard(
    begin: float, end: float, heard: tuple[float, float], mean: float | None
) -> None:
    case = minutes(*range(1, 10), heard=[heard])
    rate = case.usage.mbps(0, DOWN)
    found = baseline._mean(case, rate, ms(begin), ms(end))
    assert found == (None if mean is None else pytest.approx(mean))


# Edges --------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("inside", "outside", "steps"),
    [
        # Of a threshold of 90: what follows each other from the edge outwards, and from it inwards.
        ([95, 95, 95], [95, 95, 10], 2),
        ([95, 95, 95], [90, 10, 10], 1),
        ([95, 95, 95], [89.9, 95, 10], 2),  # 92.45 on average
        ([95, 95, 95], [89.9, 90, 10], 0),  # 89.95
        ([95, 95, 95], [45, 135, 10], 2),
        ([95, 95, 95], [44.9, 200, 10], 0),  # far under it right beside the edge
        ([89.9, 95, 95], [95, 95, 95], 0),  # the edge itself is under it
        ([90, 95, 95], [95, 95, 95], 3),
        ([44.9, 95, 95], [10, 10, 10], -1),
        ([45, 95, 95], [10, 10, 10], 0),
        ([44.9, 44.9, 95], [10, 10, 10], -2),
        ([44.9, 44.9, 44.9], [10, 10, 10], 0),  # nothing of it is at the threshold
        ([44.9, 45, 44.9], [10, 10, 10], -1),
    ],
)
def test_an_edge_reaches_as_far_as_the_rate_does(
    inside: list[float], outside: list[float], steps: int
) -> None:
    assert edges._reach(np.array([*inside[::-1], *outside], float), 90.0) == steps


def edged(*spans: tuple[float, float, float], resolution_s: int = 60) -> Case:
    """Downloads at rates in Mbit/s from and to so many seconds, in records of five seconds."""
    book = Book()
    for begin, end, mbps in spans:
        for start in np.arange(begin, end, 5):
            book.row(float(start), float(start) + 4.999, way=DOWN, octets=mbps * 625_000)
    return book.case(SITE, span=(0, 1200), resolution_s=resolution_s)


def refined(case: Case, *found: tuple[int, int], width: int = 1) -> list[tuple[float, float]]:
    moved = edges.refined(case, case.usage, 0, DOWN, list(found), 0.9, width)
    return [((begin - ms(0)) / 1000, (end - ms(0)) / 1000) for begin, end in moved]


def test_edges_follow_the_records() -> None:
    case = edged((280, 580, 91))
    assert refined(case, (5, 9)) == [(280, 580)]
    assert refined(case, (5, 10)) == [(280, 580)]
    assert refined(case, (4, 9)) == [(280, 580)]
    assert refined(case, (5, 9), width=3) == [(300, 540)]
    # A rate of 89 is not full, though it would be if steps were shorter.
    assert refined(edged((280, 580, 89)), (5, 9)) == [(300, 540)]
    # Two times that meet share no second.
    assert refined(case, (5, 7), (7, 9)) == [(280, 480), (480, 580)]


def test_edges_stand_where_records_are_long_and_where_there_are_more_than_twelve() -> None:
    assert refined(edged((280, 580, 91), resolution_s=61), (5, 9)) == [(300, 540)]
    assert refined(edged((280, 580, 91)), *[(5, 9)] * 12)[0] == (280, 580)
    assert refined(edged((280, 580, 91)), *[(5, 9)] * 13)[0] == (300, 540)
    case = edged((280, 580, 91))
    short = replace(case.usage, window_ms=30_000)
    assert edges.refined(case, short, 0, DOWN, [(10, 18)], 0.9, 1) == [(ms(300), ms(540))]


# Times cut off ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("before", "after", "edge"),
    [
        ([85, 89], [121, 128], (89, 121)),
        ([], [], (90, 120)),
        ([79.999], [130], (90, 120)),  # more than a step away
        ([80], [129.999], (80, 129.999)),
        ([90], [119.999], (90, 120)),
    ],
)
def test_a_silence_lasts_from_the_last_record_before_to_the_first_after(
    monkeypatch: pytest.MonkeyPatch, before: list[float], after: list[float], edge: tuple[float, float]
) -> None:
    book = Book()
    for end in before:
        book.row(end - 1, end, way=DOWN, octets=100)
    for start in after:
        book.row(start, start + 1, way=DOWN, octets=100)
    book.row(100, 101, way=UP, octets=100)
    case = book.case(SITE, span=(0, 300))
    came = case.flows.direction == DOWN
    scene = Scene(Grid(case.usage.start_ms, STEP_MS, 30), np.zeros(30, np.bool_), came)
    monkeypatch.setattr(cut_off, "scene", lambda case: scene)
    assert cut_off.silence_edges(case, 9, 12) == (ms(edge[0]), ms(edge[1]))


@pytest.mark.parametrize(
    ("others", "attempts"),
    [
        ([39.999], 0),  # a place that is tried in vain at other times too
        ([40], 1),  # within a minute of the dead time
        ([189.999], 1),
        ([190], 0),
        ([300], 0),
    ],
)
def test_places_tried_in_vain_at_other_times_prove_nothing(
    monkeypatch: pytest.MonkeyPatch, others: list[float], attempts: int
) -> None:
    book = Book()
    for start in (105, *others):
        book.row(start, start, way=UP, octets=60, outside="198.51.100.7")
    book.row(0, 1, way=DOWN, octets=60)
    case = book.case(SITE, span=(0, 400))
    scene = Scene(Grid(case.usage.start_ms, STEP_MS, 42), np.zeros(42, np.bool_), np.zeros(3, np.bool_))
    monkeypatch.setattr(cut_off, "scene", lambda case: scene)
    assert len(cut_off.attempts_in(case, [(ms(100), ms(120))])) == attempts


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


# Silences and outages -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("before", "after", "length", "gap"),
    [
        ([1] * 120, [1] * 120, 3, True),
        ([1] * 120, [1] * 120, 2, False),
        # In nine of ten minutes heard on the quieter side: 0.1^4.
        ([1] * 120, [1] * 9 + [0], 4, False),  # 9 of 10.5
        ([1] * 120, [1] * 9 + [0], 5, True),
        ([1] * 120, ([1] * 9 + [0]) * 12, 4, False),  # 108 of 120.5: 0.1037^4 = 0.000116
        ([1] * 120, ([1] * 9 + [0]) * 12 + [0] * 500, 5, True),
        (None, [1] * 120, 3, True),
        ([1] * 120, None, 3, True),
        ([0] * 500 + [1] * 120, None, 3, True),
        ([0] + [1] * 4, None, 3, False),
    ],
)
def test_a_silence_is_a_gap_where_the_habit_makes_it_unlikely(
    before: list[int] | None, after: list[int] | None, length: int, gap: bool
) -> None:
    sides = [None if side is None else np.array(side, np.bool_) for side in (before, after)]
    assert silences._is_gap(sides[0], sides[1], length) == gap


@pytest.mark.parametrize(
    ("first", "last", "heard", "span"),
    [
        (10, 1000, [(0, 1700)], (10, 1680)),  # the last window that was heard begins at 1680
        (10, 3000, [(0, 1700)], (10, 3000)),
        (None, None, [(0, 119)], (0, 60)),
        (None, 500, [(0, 119)], (0, 500)),
    ],
)
def test_an_exporter_lived_from_its_first_sign_to_its_last(
    first: float | None, last: float | None, heard: list[tuple[float, float]], span: tuple[float, float]
) -> None:
    case = bare(heard=heard)
    told = {key: None if at is None else ms(at) for key, at in (("first_ms", first), ("last_ms", last))}
    case = replace(case, coverage=replace(case.coverage, **told))
    assert outage._span(case) == (ms(span[0]), ms(span[1]))


@pytest.mark.parametrize(
    ("heard", "start", "end", "parts"),
    [
        ([(0, HOUR)], 600, 1200, [(600, 1200)]),
        ([(0, HOUR)], 610, 1190, [(610, 1190)]),
        ([(0, HOUR)], 600, 779, []),  # three minutes
        ([(0, HOUR)], 600, 780, [(600, 780)]),
        # Heard in one minute of it, or in two that the time only touches: no sign of life within it.
        ([(900, 950)], 600, 1200, []),
        ([(600, 650), (1140, 1199)], 590, 1190, []),
        ([(600, 650), (660, 700), (1140, 1199)], 600, 1190, []),
        # Six of ten minutes between two signs are bridged, and more are not.
        ([(600, 640), (660, 700), (1020, 1199)], 600, 1200, [(600, 1200)]),
        ([(600, 640), (660, 700), (1080, 1199)], 600, 1200, []),
    ],
)
def test_the_parts_of_a_dead_time_that_the_exporter_lived_through(
    heard: list[tuple[float, float]], start: float, end: float, parts: list[tuple[float, float]]
) -> None:
    found = outage._heard_parts(bare(heard=heard), ms(start), ms(end), 3 * MINUTE_MS)
    assert found == [(ms(a), ms(b)) for a, b in parts]


def scene_of(case: Case, bins: list[int]) -> Scene:
    """What is seen where something was carried in these steps of ten seconds."""
    nothing = np.zeros(len(case.flows), np.bool_)
    return Scene(Grid(case.usage.start_ms, STEP_MS, len(bins)), np.array(bins, np.bool_), nothing)


@pytest.mark.parametrize(
    ("bins", "start", "end", "part"),
    [
        ([1] * 60, 0, 600, 1.0),
        ([1] + [0] * 5 + [0] * 6 + [1] * 48, 0, 600, 0.9),  # one of ten minutes has nothing at all
        ([1] * 60, 0, 299, 0.0),  # five minutes are the least
        ([1] * 60, 0, 300, 1.0),
        ([1] * 60, -600, 300, 1.0),
        ([0] * 30 + [1] * 30, 300, 900, 1.0),
        ([0] * 30 + [1] * 30, 0, 359, 0.0),  # minutes that are whole
        ([0] * 30 + [1] * 30, 0, 360, 1 / 6),
    ],
)
def test_the_part_of_the_minutes_in_which_something_flowed(
    monkeypatch: pytest.MonkeyPatch, bins: list[int], start: float, end: float, part: float
) -> None:
    case = bare(span=(0, 10 * len(bins)))
    monkeypatch.setattr(outage, "scene", lambda case: scene_of(case, bins))
    assert outage._flowing(case, ms(start), ms(end)) == pytest.approx(part)


@pytest.mark.parametrize(
    ("around", "bins", "others", "chance"),
    [
        ([1] * 60, 20, [], False),
        ([1] * 59, 20, [], True),  # ten minutes on a side are the least
        ([1, 1, 1, 0] * 15, 10, [], False),  # 0.25^10 = 0.00000095
        ([1, 1, 1, 0] * 15, 9, [], True),
        ([1] * 60, 20, [99], False),
        ([1] * 60, 20, [100], True),  # another silence half as long
        ([1, 0] * 180 + [1] * 60, 20, [], False),
        ([0] * 60 + [1] * 360, 5, [], False),  # only an hour around is looked at
    ],
)
def test_a_silence_may_be_the_sites_habit(
    monkeypatch: pytest.MonkeyPatch, around: list[int], bins: int, others: list[float], chance: bool
) -> None:
    """The same on both sides, mirrored."""
    bins_all = [*around, *[0] * bins, 0, *around[::-1]]
    case = bare(span=(0, 10 * len(bins_all)))
    monkeypatch.setattr(outage, "scene", lambda case: scene_of(case, bins_all))
    start, end = ms(10 * len(around)), ms(10 * (len(around) + bins))
    dead = SimpleNamespace(spans=((start, end), *((0, round(1000 * length)) for length in others)))
    monkeypatch.setattr(outage, "_dead", lambda case: dead)
    assert outage._may_be_chance(case, start, end) == chance


@pytest.mark.parametrize(
    ("start", "end", "inside"),
    [
        (0, 600, True),
        (-120, 480, True),
        (-121, 480, False),
        (-60, -1, False),
        (0, 1, True),
        (-600, -599, False),
    ],
)
def test_four_fifths_of_the_minutes_are_in_the_hours(start: float, end: float, inside: bool) -> None:
    hours = parse_hours("Mon 10:00-17:00")
    assert outage._in_hours(bare(), hours, ms(start), ms(end)) == inside


@pytest.mark.parametrize(
    ("way", "link", "start", "end", "answered"),
    [
        (DOWN, "lte", 100, 200, True),
        (DOWN, "lte", 99.999, 200, False),
        (DOWN, "lte", 100, 200.001, False),
        (UP, "lte", 100, 200, False),
        (DOWN, None, 100, 200, False),
        (DOWN, "fibre", 100, 200, True),
    ],
)
def test_a_keepalive_is_answered_within_an_outage(
    monkeypatch: pytest.MonkeyPatch, way: int, link: str | None, start: float, end: float, answered: bool
) -> None:
    book = Book()
    book.row(0, 1, way=DOWN, octets=1000)
    book.row(start, end, way=way, octets=84, link=link, protocol=ICMP)
    case = book.case(span=(0, HOUR))
    if link is None:
        case = replace(case, flows=replace(case.flows, direction=np.array([DOWN, DOWN], np.int8)))
    monkeypatch.setattr(outage, "keepalive_rows", lambda case: np.array([1]))
    dead = Outage(ms(100), ms(200), 0, 0, "abrupt", False)
    assert outage._keepalives_answered(case, dead) == answered


@pytest.mark.parametrize(
    ("start", "end", "explains"),
    [
        (0, 60, True),
        (0, 59.999, False),
        (585, 610, True),
        (580, 600, False),
        (580, 630, True),
        (570, 609.9, False),
    ],
)
def test_a_minute_or_half_of_the_time_asked_about_explains_a_complaint(
    start: float, end: float, explains: bool
) -> None:
    case = bare(window=(600, 620))
    assert short_outages._explains(case, ms(start), ms(end)) == explains


@pytest.mark.parametrize(
    ("start", "end", "near"),
    [
        (0, 540, False),
        (0, 540.001, True),
        (660, 700, False),
        (659.999, 700, True),
        (800, 840, False),
        (960, 970, False),
    ],
)
def test_a_silence_within_a_minute_of_a_switch_is_the_switch(
    monkeypatch: pytest.MonkeyPatch, start: float, end: float, near: bool
) -> None:
    stay = SimpleNamespace(start_ms=ms(600), end_ms=ms(900))
    monkeypatch.setattr(short_outages, "failovers", lambda case: SimpleNamespace(episodes=[stay]))
    assert short_outages._at_a_switch(bare(), ms(start), ms(end)) == near


@pytest.mark.parametrize(
    ("start", "end", "answers"),
    [(0, 99.999, True), (0, 100, False), (200, 300, False), (200.001, 300, True), (120, 130, False)],
)
def test_who_sends_outside_of_a_silence_answers(start: float, end: float, answers: bool) -> None:
    book = Book()
    book.row(start, end, way=DOWN, octets=100)
    book.row(0, 1, way=UP, octets=100, outside="203.0.113.77")
    case = book.case(SITE, span=(0, HOUR))
    found = short_outages._answering(case, [(ms(100), ms(200))])
    assert found.tolist() == [False, answers, False]


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
        found = outbound_scan.scans_from(case, 10, (ms(begin), ms(end)))
        assert sum(scan.addresses for scan in found) == addresses
