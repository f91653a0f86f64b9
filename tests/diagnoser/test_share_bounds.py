"""Shares, levels and transfers that move together: their own functions at their bounds."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from msgspec.structs import replace

from flowdiag.aggregator.site_flows import DOWN, UP
from flowdiag.diagnoser.signals import (
    even_transfers,
    held_levels,
    low_levels,
    moving_ceiling,
)
from flowdiag.diagnoser.signals.at_limit import AtLimit
from flowdiag.diagnoser.signals.episodes import Episode, Episodes
from flowdiag.diagnoser.signals.fair_shares import FairShares, _deviation, _smallest_of_most, fair_shares
from flowdiag.diagnoser.signals.flat_top import STEADY, Level, levels, pace, yielding
from flowdiag.diagnoser.signals.held_levels import HeldLevel
from flowdiag.diagnoser.signals.shares import _top
from flowdiag.diagnoser.signals.timeline import Grid
from tests.diagnoser.building import UDP, ms, rows_of

HOUR = 3600
NONE = np.zeros(0, np.intp)


# Equal and fair shares ----------------------------------------------------------------------------------------------


def test_the_smallest_of_the_fewest_that_have_three_quarters() -> None:
    assert _smallest_of_most(np.array([10.0, 50.0, 25.0, 15.0])) == 25.0
    assert _smallest_of_most(np.array([10.0, 50.0, 24.0, 16.0])) == 16.0
    assert _smallest_of_most(np.array([1.0])) == 1.0
    assert _smallest_of_most(np.zeros(0)) == 0.0


def test_deviations_are_weighted_and_relative() -> None:
    assert _deviation(np.array([1.0, 3.0]), np.array([1.0, 1.0])) == 0.5
    assert _deviation(np.array([1.0, 5.0]), np.array([3.0, 1.0])) == pytest.approx(3**0.5 / 2)


def test_who_has_a_two_hundredth_competes_unless_smaller_ones_make_most_of_it() -> None:
    def transfers(*octets: float) -> int:
        case = rows_of(*({"octets": many, "end": 60, "inside_port": n} for n, many in enumerate(octets)))
        found = fair_shares(case.flows, np.arange(len(octets)))
        return 0 if found is None else found.transfers

    assert transfers(9900, 9900, 100, 100) == 4  # of 20,000
    assert transfers(9900, 9902, 99, 99) == 2
    assert transfers(*[10] * 1000) == 1000
    assert transfers(1000) == 0
    assert transfers() == 0


EQUAL = FairShares(
    ceiling=1.0, uneven=0.0, own_pace=0.0, crowding=0.0, transfers=9, hosts=9, destinations=9, largest=0.1,
    start_ms=ms(1200), end_ms=ms(2400),
)  # fmt: skip


@pytest.mark.parametrize(
    ("minutes", "flatness", "begin", "end", "even"),
    [
        (20, 0.03, 1200, 2400, True),
        (20, 0.031, 1200, 2400, False),
        (14, 0.03, 1200, 2040, False),
        (15, 0.03, 1200, 2100, True),
        (20, 0.03, 1080, 2400, True),  # two minutes are its begin
        (20, 0.03, 1079.999, 2400, False),
        (20, 0.03, 1200, 2520, True),
        (20, 0.03, 1200, 2520.001, False),
        (20, 0.03, 1320.001, 2400, False),
    ],
)
def test_equal_transfers_begin_and_end_with_their_level(
    monkeypatch: pytest.MonkeyPatch, minutes: int, flatness: float, begin: float, end: float, even: bool
) -> None:
    shares = replace(EQUAL, start_ms=ms(begin), end_ms=ms(end))
    monkeypatch.setattr(even_transfers, "fair_shares", lambda flows, rows: shares)
    case = rows_of({"end": HOUR})
    found = even_transfers._even(case, 0, DOWN, Level(20, 20 + minutes, 40.0, flatness))
    assert (found is not None) == even
    if found:
        assert (found.start_ms, found.end_ms, found.rate_mbps) == (ms(1200), ms(1200 + 60 * minutes), 40.0)


def test_transfers_up_to_a_quarter_of_an_hour_around_are_looked_at(monkeypatch: pytest.MonkeyPatch) -> None:
    seen: list[int] = []
    monkeypatch.setattr(even_transfers, "fair_shares", lambda flows, rows: seen.append(len(rows)))
    rows: list[dict[str, Any]] = [
        {"start": 299, "end": 299.999}, {"start": 299, "end": 300.001}, {"start": 3299, "end": 3300},
        {"start": 3300, "end": 3301}, {"start": 1300, "end": 1400, "protocol": UDP},
        {"start": 1300, "end": 1400, "packets": 100},
    ]  # fmt: skip
    case = rows_of(*rows)
    even_transfers._even(case, 0, DOWN, Level(20, 40, 40.0, 0.0))
    assert seen == [2]


@pytest.mark.parametrize(
    ("window", "resolution_s", "apart", "found"),
    [
        ((0, 1200), 60, True, 0),
        ((0, 1200.001), 60, True, 1),
        ((2400, 3000), 60, True, 0),
        ((2399.999, 3000), 60, True, 1),
        ((0, 3600), 300, True, 0),
        ((0, 3600), 299, True, 1),
        ((0, 3600), 60, False, 0),
    ],
)
def test_equal_transfers_of_the_time_looked_at(
    monkeypatch: pytest.MonkeyPatch, window: tuple[float, float], resolution_s: int, apart: bool, found: int
) -> None:
    level = Level(20, 40, 40.0, 0.0)
    monkeypatch.setattr(even_transfers, "fair_shares", lambda flows, rows: EQUAL)
    monkeypatch.setattr(
        even_transfers, "candidates", lambda case, link, way: [level] if (link, way) == (0, DOWN) else []
    )
    case = rows_of({"end": HOUR}, window=window, resolution_s=resolution_s, links_apart=apart)
    assert len(even_transfers.even_transfers(case)) == found


# Levels -------------------------------------------------------------------------------------------------------------


def test_parts_that_give_and_take_have_a_steady_sum() -> None:
    """Two hosts that change places each minute, 2 and 1 octets a second and the other way round, and one that keeps 3."""
    rows: list[dict[str, Any]] = []
    for minute in range(10):
        for host, rate in ((20, 2 - minute % 2), (21, 1 + minute % 2), (22, 3)):
            rows.append({
                "start": 60 * minute, "end": 60 * minute + 59.999, "octets": 60 * rate, "inside": f"192.168.40.{host}",
            })  # fmt: skip
    case = rows_of(*rows)
    grid = Grid(ms(0), 60_000, 10)
    told = yielding(case.flows, np.arange(30), case.flows.inside, grid)
    assert told.ratio == pytest.approx(0.0, abs=1e-6)
    # Each of the two has 60 or 120 octets a minute: a variance of 900. The sum is 360.
    assert told.spread == pytest.approx(1800**0.5 / 360, rel=1e-3)
    assert told.parts == pytest.approx(2.0, rel=1e-3)
    assert told.active == pytest.approx(3.0)


def test_traffic_that_pauses_most_of_the_time_is_no_level() -> None:
    """Pauses of two minutes are bridged, but the middle of all minutes is silence."""
    assert levels(np.array([8.0, 0, 0] * 5 + [8.0]), STEADY) == []
    assert [level.rate for level in levels(np.array([8.0, 8, 0] * 5 + [8.0]), STEADY)] == [8.0]


@pytest.mark.parametrize(
    ("least", "most", "rates"),
    [(0, np.inf, [8, 80]), (8, 80, [8, 80]), (8.1, 80, [80]), (8, 79.9, [8]), (9, 79, [])],
)
def test_levels_are_told_between_a_least_and_a_most(least: float, most: float, rates: list[float]) -> None:
    rate = np.array([8.0] * 20 + [0.0] * 200 + [80.0] * 20)
    assert [level.rate for level in levels(rate, STEADY, least, most)] == rates


def test_a_part_is_active_from_two_hundredths_of_a_window_on() -> None:
    for small, active in ((20.0, 2.0), (19.9, 1.0)):
        rows = [
            {"start": 60 * m, "end": 60 * m + 59.999, "octets": (1000 - small) * (1 + m)} for m in range(4)
        ]
        rows += [
            {"start": 60 * m, "end": 60 * m + 59.999, "octets": small * (1 + m), "inside": "192.168.40.21"}
            for m in range(4)
        ]
        case = rows_of(*rows)
        told = yielding(case.flows, np.arange(8), case.flows.inside, Grid(ms(0), 60_000, 4))
        assert told.active == active
        assert told.ratio > 1.0


def test_the_pace_of_conversations_is_their_deviation_by_octets() -> None:
    """One at 100 and 300 octets a second, 200 on average and a deviation of a half; one at 400 throughout."""
    rows: list[dict[str, Any]] = [
        {"end": 10, "octets": 1000}, {"start": 20, "end": 30, "octets": 3000},
        {"end": 10, "octets": 4000, "inside_port": 9}, {"start": 20, "end": 40, "octets": 8000, "inside_port": 9},
    ]  # fmt: skip
    flows = rows_of(*rows).flows
    assert pace(flows, np.arange(4)) == pytest.approx(0.5 * 4000 / 16_000)
    assert pace(flows, np.arange(2)) == pytest.approx(0.5)
    assert pace(flows, np.arange(1)) is None


@pytest.mark.parametrize(
    ("part", "held"),
    [
        ((0, 10), True),
        ((0, 9), False),
        ((11, 20), False),
        ((10, 20), True),
        ((5, 15), True),
        ((6, 14), False),
    ],
)
def test_half_of_a_level_in_a_full_time(
    monkeypatch: pytest.MonkeyPatch, part: tuple[int, int], held: bool
) -> None:
    full = Episodes((Episode(0, UP, (part,)),), ())
    monkeypatch.setattr(low_levels, "episodes", lambda case: full)
    assert low_levels.held_by_a_full_link(rows_of({"end": HOUR}), 0, Level(0, 20, 40.0, 0.0)) == held
    assert not low_levels.held_by_a_full_link(rows_of({"end": HOUR}), 1, Level(0, 20, 40.0, 0.0))


@pytest.mark.parametrize(
    ("window_ms", "a_minute", "minutes"), [(60_000, 1, 7), (10_000, 6, 2), (30_000, 2, 4), (90_000, 1, 7)]
)
def test_levels_are_counted_in_minutes(window_ms: int, a_minute: int, minutes: int) -> None:
    case: Any = SimpleNamespace(usage=SimpleNamespace(window_ms=window_ms))
    assert low_levels.windows_a_minute(case) == a_minute
    assert low_levels.minutes_of(case, Level(3, 10, 40.0, 0.0)) == minutes


LEVEL = HeldLevel(0, DOWN, 40.0, 0.4, ms(100), ms(200), 3, 2, 2, 0.01, True)


@pytest.mark.parametrize(
    ("begin", "end", "link", "told"),
    [
        (0, 100, 0, False),
        (0, 100.001, 0, True),
        (200, 300, 0, False),
        (199.999, 300, 0, True),
        (120, 130, 1, False),
    ],
)
def test_a_level_is_told_where_a_limit_overlaps_it(begin: float, end: float, link: int, told: bool) -> None:
    limit = AtLimit(link, DOWN, ((ms(begin), ms(end)),), 99, ((1.0, 1.0),))
    assert held_levels.is_told(LEVEL, [limit]) == told
    assert not held_levels.is_told(LEVEL, [replace(limit, direction=UP)])


@pytest.mark.parametrize(
    ("level", "lines"),
    [({}, True), ({"hosts": 1}, False), ({"destinations": 1}, False), ({"gives_way": False}, False)],
)
def test_a_level_is_the_lines_where_neither_a_host_nor_a_place_explains_it(
    level: dict[str, Any], lines: bool
) -> None:
    assert replace(LEVEL, **level).is_the_lines == lines


def surpassed(rate: list[float], higher: float = 1.1, resolution_s: int = 5) -> bool:
    """Whether a level of 40 in the bins of five seconds from 200 to 219 was, with this rate from bin 0 on."""
    grid = Grid(ms(0), 5000, len(rate))
    traffic = held_levels._Traffic(NONE, NONE, np.zeros(0, np.bool_), grid, np.array(rate), np.array(rate))
    level = replace(LEVEL, start_ms=ms(1000), end_ms=ms(1100))
    return held_levels._was_surpassed(
        rows_of({"end": HOUR}, resolution_s=resolution_s), traffic, level, higher
    )


@pytest.mark.parametrize(
    ("above", "resolution_s", "expected"),
    [
        ({300: 44.1, 301: 44.1, 302: 44.1}, 5, True),
        ({300: 44.0, 301: 44.0, 302: 44.0}, 5, False),
        ({300: 44.1, 301: 44.1}, 5, False),
        ({300: 66.2, 301: 66.2}, 5, True),  # on average over three
        # A quarter of an hour around: bins 20 to 399.
        ({19: 50, 20: 50, 21: 50}, 5, False),
        ({20: 50, 21: 50, 22: 50}, 5, True),
        ({397: 50, 398: 50, 399: 50}, 5, True),
        ({398: 50, 399: 50, 400: 50}, 5, False),
        ({300: 50, 301: 50, 302: 50, 303: 50, 304: 50}, 10, False),  # records of ten seconds: six bins
        ({300: 50, 301: 50, 302: 50, 303: 50, 304: 50, 305: 50}, 10, True),
    ],
)
def test_a_level_is_surpassed_by_a_tenth_more_for_three_records(
    above: dict[int, float], resolution_s: int, expected: bool
) -> None:
    rate = [0.0] * 450
    for place, value in above.items():
        rate[place] = value
    assert surpassed(rate, resolution_s=resolution_s) == expected
    assert not surpassed([50.0] * 2)


# Moving together ----------------------------------------------------------------------------------------------------


def test_deviations_about_each_transfers_mean_by_octets() -> None:
    rates = np.array([1.0, 3.0]), np.array([5.0, 5.0])
    quotients = np.array([0.0, 4.0]), np.array([2.0, 2.0])
    weights = np.array([1.0, 3.0]), np.array([2.0, 2.0])
    moved, left, parts = moving_ceiling._deviations(list(zip(rates, quotients, weights, strict=True)))
    # About 2.5: 1 x 2.25 + 3 x 0.25 = 3 of 8 octets; about 3: 1 x 9 + 3 x 1 = 12 of 8.
    assert (moved, left, parts) == (pytest.approx((3 / 8) ** 0.5), pytest.approx((12 / 8) ** 0.5), [3.0, 2.0])


def test_a_record_is_foretold_where_others_ran_beside_it() -> None:
    rows: list[dict[str, Any]] = [
        {"end": 10, "octets": 5000},
        {"start": 10, "end": 20, "octets": 2500},
        {"start": 20, "end": 30},
    ]
    case = rows_of(*rows)
    grid = Grid(ms(0), 5000, 6)
    others, running = np.array([1000.0, 1000, 500, 500, 0, 0]), np.array([2, 2, 1, 1, 0, 0])
    rate, quotient, octets = moving_ceiling._quotients(case.flows, np.arange(3), grid, others, running)
    assert octets.tolist() == [5000, 2500]
    assert np.exp(rate).tolist() == pytest.approx([0.5, 0.25])
    # The mean of the others is 500 a bin: 1,000 in each record.
    assert np.exp(quotient).tolist() == pytest.approx([5.0, 2.5])
    # Where nobody else ran for more than a hundredth of a record, there is nothing to foretell it by.
    alone = moving_ceiling._quotients(case.flows, np.arange(1), grid, others, np.array([2, 0, 1, 1, 0, 0]))
    assert len(alone[2]) == 0


def moving(transfers: int, records: int = 2, length: float = 10, begin: float = 0, end: float = 20) -> Any:
    """Transfers with so many records each, at two octets a millisecond and then at one, all alike."""
    rows = [
        {"start": record * length, "end": (record + 1) * length, "octets": (2 - record % 2) * length * 1000,
         "inside": f"192.168.40.{20 + number}", "outside": f"203.0.113.{1 + number}"}
        for number in range(transfers) for record in range(records)
    ]  # fmt: skip
    flows = rows_of(*rows).flows
    return moving_ceiling.together(flows, np.arange(len(rows)), ms(begin), ms(end))


def test_three_transfers_of_two_records_of_five_seconds_are_compared() -> None:
    found = moving(3)
    assert (found.transfers, found.hosts, found.destinations) == (3, 3, 3)
    assert found.common == pytest.approx(1.0)
    # Logarithms of 2 and 1 with weights 2 and 1: a deviation of ln 2 x sqrt(2)/3.
    assert found.moved == pytest.approx(np.log(2) * 2**0.5 / 3)
    assert found.uneven == pytest.approx(0.0)
    assert moving(2) is None
    assert moving(3, records=1) is None
    assert moving(3, length=5, end=10).transfers == 3
    assert moving(3, length=4.999, end=10) is None
    assert moving(3, begin=0.001) is None
    assert moving(3, end=19.999) is None
    assert moving(41).transfers == 40


# Who is listed ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("sums", "listed"),
    [
        ([1, 2, 3], [(2, 0.5), (1, 0.3333), (0, 0.1667)]),
        ([2, 2, 0], [(0, 0.5), (1, 0.5)]),
        ([0, 0], []),
        ([10, 10, 10, 10, 10, 10, 1], [(n, 0.1639) for n in range(6)]),
        ([100, 1, 1, 1, 1, 1, 1], [(0, 0.9434), *((n, 0.0094) for n in range(1, 5))]),
        ([1] * 12, [(n, 0.0833) for n in range(10)]),
    ],
)
def test_the_largest_are_listed_with_their_shares(sums: list[float], listed: list[tuple[int, float]]) -> None:
    names = tuple(f"name {number:02}" for number in range(len(sums)))
    assert _top(np.array(sums, float), names) == listed
