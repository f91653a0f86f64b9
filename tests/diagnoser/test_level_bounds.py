"""What makes a level, a ceiling and an equal share: each bound at it and beside it, with figures chosen for that."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from msgspec.structs import replace

from flowdiag.aggregator.site_flows import DOWN
from flowdiag.diagnoser.findings import below_plan
from flowdiag.diagnoser.findings.below_plan import Proof
from flowdiag.diagnoser.signals import even_transfers, low_levels
from flowdiag.diagnoser.signals.fair_shares import FairShares, fair_shares
from flowdiag.diagnoser.signals.flat_runs import flat_runs
from flowdiag.diagnoser.signals.flat_top import (
    STEADY,
    Bounds,
    Level,
    Yielding,
    by_minutes,
    in_data_packets,
    levels,
    pace,
)
from flowdiag.diagnoser.signals.moving_ceiling import Together
from flowdiag.diagnoser.signals.wandering import Wandering, _is_one, _smooth
from tests.diagnoser.building import MINUTE, Book, ms, profile

SITE = profile(backup=False)
MBPS_MINUTE = 7_500_000
FLAT = Bounds(depth=0.125, flatness=0.05, higher=1.10)


# Give and take ------------------------------------------------------------------------------------------------------


def yields(minutes: int = 40, flatness: float = 0.04, **inside: float) -> bool:
    """Whether hosts that are so, beside places that are beyond doubt, give way."""
    sure = {"ratio": 0.0, "spread": 0.5, "parts": 9.0, "active": 9.0}
    proof = Proof(Yielding(**{**sure, **inside}), Yielding(**sure))
    return below_plan._yields(proof, Level(0, minutes, 40.0, flatness), minutes)


@pytest.mark.parametrize(
    ("told", "expected"),
    [
        ({"ratio": 0.25}, True),
        ({"ratio": 0.2501}, False),
        # Of few windows a hundredth for each but the first and the last.
        ({"ratio": 0.10, "minutes": 12}, True),
        ({"ratio": 0.11, "minutes": 12}, False),
        # Parts that hardly vary have to yield more, and vary at all.
        ({"ratio": 0.25, "spread": 0.06}, True),
        ({"ratio": 0.13, "spread": 0.0599}, False),
        ({"ratio": 0.12, "spread": 0.0599}, True),
        ({"spread": 0.02}, True),
        ({"spread": 0.0199}, False),
        ({"ratio": 0.2, "parts": 3.0}, True),
        ({"ratio": 0.2, "parts": 2.99}, False),
        # Two are enough where one gets what the other lacks, all along a level that is no coincidence.
        ({"ratio": 0.05, "parts": 1.9, "flatness": 0.03, "minutes": 15}, True),
        ({"ratio": 0.05, "parts": 1.9, "flatness": 0.0301, "minutes": 15}, False),
        ({"ratio": 0.05, "parts": 1.9, "flatness": 0.03, "minutes": 14}, False),
        ({"ratio": 0.0501, "parts": 1.9, "flatness": 0.03}, False),
        ({"ratio": 0.05, "parts": 1.89, "flatness": 0.03}, False),
        ({"ratio": 0.05, "parts": 1.9, "flatness": 0.03, "spread": 0.06}, True),
        ({"ratio": 0.05, "parts": 1.9, "flatness": 0.03, "spread": 0.0599}, False),
        ({"active": 1.0}, True),  # the places show more at a time
    ],
)
def test_traffic_yields_within_these_bounds(told: dict[str, Any], expected: bool) -> None:
    assert yields(**told) == expected


@pytest.mark.parametrize(("active", "expected"), [(1.5, True), (1.49, False)])
def test_one_and_a_half_at_a_time_are_the_least(active: float, expected: bool) -> None:
    side = Yielding(0.0, 0.5, 9.0, active)
    assert below_plan._yields(Proof(side, side), Level(0, 40, 40.0, 0.04), 40) == expected


EQUAL = FairShares(
    ceiling=1.0, uneven=0.0, own_pace=1.0, crowding=1.0, transfers=99, hosts=9, destinations=9, largest=0.1,
    start_ms=0, end_ms=1,
)  # fmt: skip


@pytest.mark.parametrize(
    ("told", "expected"),
    [
        ({"uneven": 0.30}, True),
        ({"uneven": 0.301}, False),
        ({"uneven": 0.25, "own_pace": 0.5}, True),  # half of what the plain rates differ
        ({"uneven": 0.251, "own_pace": 0.5}, False),
        ({"crowding": 0.25}, True),
        ({"crowding": 0.249}, False),
        ({"transfers": 8}, True),
        ({"transfers": 7}, False),
        ({"hosts": 3}, True),
        ({"hosts": 2}, False),
        ({"destinations": 3}, True),
        ({"destinations": 2}, False),
        ({"largest": 0.5}, True),
        ({"largest": 0.501}, False),
    ],
)
def test_transfers_divided_a_ceiling_within_these_bounds(told: dict[str, Any], expected: bool) -> None:
    assert below_plan._is_shared(replace(EQUAL, **told)) == expected


@pytest.mark.parametrize(
    ("told", "expected"),
    [
        ({}, True),
        ({"own_pace": 0.05}, True),
        ({"own_pace": 0.051}, False),
        ({"crowding": 0.05}, True),
        ({"crowding": 0.051}, False),
        ({"transfers": 4}, True),
        ({"transfers": 3}, False),
        ({"hosts": 4}, True),
        ({"hosts": 3}, False),
        ({"destinations": 3}, False),
        ({"largest": 0.5}, True),
        ({"largest": 0.501}, False),
    ],
)
def test_transfers_are_equal_within_these_bounds(told: dict[str, Any], expected: bool) -> None:
    assert even_transfers._is_equal(replace(EQUAL, **{"own_pace": 0.0, "crowding": 0.0, **told})) == expected


MOVING = Together(common=0.9, moved=0.3, uneven=0.1, transfers=5, hosts=3, destinations=3)


@pytest.mark.parametrize(
    ("told", "expected"),
    [
        ({"common": 0.5}, True),
        ({"common": 0.499}, False),
        ({"moved": 0.04}, True),
        ({"moved": 0.039}, False),
        ({"uneven": 0.7}, True),
        ({"uneven": 0.701}, False),
    ],
)
def test_a_ceiling_wanders_within_these_bounds(told: dict[str, Any], expected: bool) -> None:
    assert _is_one(replace(MOVING, **told)) == expected


@pytest.mark.parametrize(
    ("seconds", "resolution_s", "hosts", "destinations", "expected"),
    [
        (480, 60, 3, 3, True),
        (479, 60, 3, 3, False),
        (600, 120, 3, 3, True),  # five records of two minutes
        (599, 120, 3, 3, False),
        (480, 60, 2, 3, False),
        (480, 60, 3, 2, False),
    ],
)
def test_a_wandering_ceiling_is_alleged_from_eight_minutes_and_five_records_on(
    seconds: int, resolution_s: int, hosts: int, destinations: int, expected: bool
) -> None:
    case = Book().case(SITE, span=(0, 3600), resolution_s=resolution_s)
    proof = replace(MOVING, hosts=hosts, destinations=destinations)
    assert below_plan.lasts(case, Wandering(0, DOWN, ms(0), ms(seconds), 30.0, proof)) == expected


@pytest.mark.parametrize(
    ("gap", "rate", "groups"),
    [(15, 50.0, 1), (16, 50.0, 2), (15, 54.0, 1), (15, 54.1, 2), (15, 46.0, 1), (15, 45.9, 2)],
)
def test_levels_at_nearly_one_rate_within_a_quarter_of_an_hour_are_one(
    gap: int, rate: float, groups: int
) -> None:
    sure = Yielding(0.0, 0.5, 9.0, 9.0)
    both = [Level(0, 10, 50.0, 0.0), Level(10 + gap, 30 + gap, rate, 0.0)]
    case = Book().case(SITE, span=(0, 3600))
    found = below_plan._grouped(case, [(level, Proof(sure, sure)) for level in both])
    assert [len(group) for group in found] == ([2] if groups == 1 else [1, 1])


# Levels -------------------------------------------------------------------------------------------------------------


def found(*rates: float, bounds: Bounds = FLAT) -> list[tuple[int, int, float]]:
    return [(level.first, level.stop, level.rate) for level in levels(np.array(rates), bounds)]


def test_a_level_is_eight_minutes_long() -> None:
    assert found(*[8] * 8) == [(0, 8, 8.0)]
    assert found(*[8] * 7) == []
    assert found(*[0] * 9, *[8] * 8, *[0] * 9) == [(9, 17, 8.0)]
    assert found(*[0] * 9, *[8] * 7, *[0] * 9) == []


def test_at_the_top_is_what_lies_an_eighth_under_the_highest_three_minutes_around() -> None:
    # 7 is an eighth under 8; three minutes of 8 reach ten minutes and, by their mean, one more.
    assert found(*[8] * 3, *[7] * 12)[0][:2] == (0, 15)
    assert found(*[8] * 3, *[6.9] * 8) == []
    assert found(*[8] * 3, *[6.9] * 22)[-1] == (3, 25, 6.9)


def test_pauses_of_two_minutes_do_not_end_a_level_and_of_three_do() -> None:
    assert found(*[8] * 6, 0, 0, *[8] * 6) == [(0, 14, 8.0)]
    assert found(*[8] * 6, 0, 0, 0, *[8] * 6) == []
    assert found(*[8] * 9, 0, 0, 0, *[8] * 9) == [(0, 9, 8.0), (12, 21, 8.0)]


def test_a_minute_at_the_level_beside_higher_traffic_belongs_to_it() -> None:
    # Beside 20 for three minutes nothing at 8 is the top for eleven minutes; the level grows over those.
    assert found(*[8] * 20, 20, 20, 20, *[8] * 20) == [(0, 20, 8.0), (23, 43, 8.0)]
    # 9 and 7 are within an eighth of 8; 9.1 and 6.9 are not.
    assert found(*[8] * 20, 7, 9, 20, 20, 20)[0] == (0, 22, 8.0)
    assert found(6.9, *[8] * 20, 9.1, 20, 20, 20)[0][1] == 21


def test_silence_is_no_level() -> None:
    assert found(*[0] * 20) == []


def test_the_rate_of_a_level_leaves_out_its_first_and_last_minute_and_its_flatness_the_outer_tenths() -> None:
    # The eleven inner minutes are 95 to 105: their 10th and 90th hundredths are 96 and 104, 8 apart.
    (level,) = levels(np.array([90.0, *range(95, 106), 110.0]), Bounds(0.2, 0.05, 1.1))
    assert (level.first, level.stop, level.rate) == (0, 13, 100.0)
    assert level.flatness == pytest.approx(8 / 2.5631 / 100)


def test_minutes_are_the_means_of_their_windows_and_the_last_of_what_is_left() -> None:
    assert by_minutes(np.array([1.0, 3.0, 5.0, 7.0, 8.0]), 2).tolist() == [2.0, 6.0, 8.0]
    assert by_minutes(np.array([1.0, 3.0]), 1).tolist() == [1.0, 3.0]
    assert by_minutes(np.zeros(0), 6).tolist() == []


@pytest.mark.parametrize(
    ("around", "blur", "alone"),
    [
        ({}, 1, True),
        ({5: 11.1, 6: 11.1}, 1, False),  # two minutes in a row a tenth above
        ({5: 11.0, 6: 11.0}, 1, True),
        ({5: 11.1, 7: 11.1}, 1, True),
        ({8: 11.1, 9: 11.1}, 1, True),  # beside the edge, where records blur
        ({8: 11.1, 9: 11.1}, 0, False),
        ({7: 11.1, 8: 11.1, 9: 11.1}, 1, False),
        ({30: 11.1, 31: 11.1}, 1, True),  # the same at the other edge
        ({31: 11.1, 32: 11.1}, 1, False),
        ({44: 11.1, 45: 11.1}, 1, True),  # the quarter of an hour ends with minute 44
        ({43: 11.1, 44: 11.1}, 1, False),
    ],
)
def test_a_level_is_alone_where_no_two_minutes_in_a_row_around_it_are_higher(
    around: dict[int, float], blur: int, alone: bool
) -> None:
    rate = np.full(60, 2.0)
    rate[10:30] = 10.0
    for minute, value in around.items():
        rate[minute] = value
    assert low_levels._alone(rate, Level(10, 30, 10.0, 0.0), 1.10, blur) == alone


def at(rates: list[float]) -> Book:
    book = Book()
    for minute, rate in enumerate(rates):
        if rate:
            book.row(minute * MINUTE, minute * MINUTE + MINUTE, way=DOWN, octets=rate * MBPS_MINUTE)
    return book


@pytest.mark.parametrize(("rate", "is_one"), [(2.99, False), (3.0, True), (85.0, True), (85.1, False)])
def test_a_level_lies_between_three_hundredths_and_the_threshold_of_the_plan(
    rate: float, is_one: bool
) -> None:
    case = at([0.0] * 5 + [rate] * 20 + [0.0] * 5).case(SITE, span=(0, 1800))
    assert [level.rate for level in low_levels.candidates(case, 0, DOWN)] == (
        [pytest.approx(rate)] if is_one else []
    )


@pytest.mark.parametrize(("full", "held"), [(10, True), (9, False)])
def test_a_level_of_which_half_lies_in_a_full_time_is_held_by_it(full: int, held: bool) -> None:
    case = at([95.0] * full + [40.0] * (30 - full)).case(SITE, span=(0, 1800))
    assert low_levels.held_by_a_full_link(case, 0, Level(0, 20, 40.0, 0.0)) == held
    assert not low_levels.held_by_a_full_link(case, 1, Level(0, 20, 40.0, 0.0))


def test_data_packets_are_of_four_hundred_octets_or_more() -> None:
    book = Book()
    for octets in (4000, 3999):
        book.row(0, 1, way=DOWN, octets=octets, packets=10)
    assert in_data_packets(book.case(SITE).flows, np.arange(2)).tolist() == [True, False]


def test_the_pace_is_known_where_half_of_the_octets_are_in_conversations_of_two_records() -> None:
    def book(other: float, lasts: float = 10) -> Book:
        some = Book()
        some.row(0, lasts, way=DOWN, octets=1000)
        some.row(20, 20 + lasts, way=DOWN, octets=1000)
        some.row(0, 60, way=DOWN, octets=other, inside_port=9)
        return some

    def of(some: Book) -> float | None:
        flows = some.case(SITE).flows
        return pace(flows, np.arange(len(flows)))

    assert of(book(2000)) == 0.0
    assert of(book(2001)) is None
    assert of(book(2000, lasts=9.999)) is None  # too short to tell a rate


def test_the_mean_over_bins_around_is_that_of_those_there_are() -> None:
    assert _smooth(np.array([1.0, 2.0, 3.0, 4.0, 10.0]), 3).tolist() == pytest.approx([1.5, 2, 3, 17 / 3, 7])
    assert _smooth(np.array([1.0, 2.0, 3.0, 4.0]), 2).tolist() == pytest.approx([1, 1.5, 2.5, 3.5])


# Shares -------------------------------------------------------------------------------------------------------------


def test_a_ceiling_is_what_each_got_by_its_part_of_the_time() -> None:
    """90 s: one alone for 30, then two, then the second alone: 300, 2 x 150 and 300 octets of a ceiling of 10 a second."""
    book = Book()
    book.row(0, 60, way=DOWN, octets=450)
    book.row(30, 90, way=DOWN, octets=450, inside="192.168.40.21", outside="203.0.113.10")
    flows = book.case(SITE).flows
    shares = fair_shares(flows, np.arange(2))
    assert shares is not None
    # A transfer that ends at 60 touches the ten seconds from there on, which count as shared.
    assert shares.ceiling == pytest.approx(10.0, rel=0.12)
    assert (shares.transfers, shares.hosts, shares.destinations, shares.largest) == (2, 2, 2, 0.5)
    assert (shares.start_ms, shares.end_ms) == (ms(0), ms(90))
    assert shares.own_pace == pytest.approx(0.0)


def test_rates_that_differ_by_what_was_left_are_uneven_only_by_themselves() -> None:
    """Ten at 1 octet a second for 100 s, then five at 2 for as long: of a ceiling of 10 each had its part."""
    book = Book()
    for number in range(15):
        begin, rate = (0, 1) if number < 10 else (200, 2)
        book.row(begin, begin + 99.999, way=DOWN, octets=rate * 100, inside=f"192.168.40.{30 + number}")
    flows = book.case(SITE).flows
    shares = fair_shares(flows, np.arange(15))
    assert shares is not None
    assert (shares.uneven, shares.ceiling) == (pytest.approx(0, abs=1e-3), pytest.approx(10, rel=1e-3))
    # By octets half at 1, half at 2: a mean of 1.5 and a deviation of 0.5; of crowds of 10 and 5 likewise.
    assert shares.own_pace == pytest.approx(1 / 3, rel=1e-3)
    assert shares.crowding == pytest.approx(1 / 3, rel=1e-3)
    assert (shares.hosts, shares.destinations, shares.largest) == (15, 1, 1.0)


def test_small_ones_do_not_compete_unless_most_of_the_octets_are_theirs() -> None:
    book = Book()
    for number, octets in enumerate((10_000, 9900, 99)):  # a two-hundredth of 19,999 is 99.995
        book.row(0, 60, way=DOWN, octets=octets, inside_port=number)
    flows = book.case(SITE).flows
    shares = fair_shares(flows, np.arange(3))
    assert shares is not None
    assert shares.transfers == 2
    assert fair_shares(flows, np.array([0])) is None


# Flat runs ----------------------------------------------------------------------------------------------------------


def test_a_run_is_flat_up_to_the_span_and_not_beyond() -> None:
    assert flat_runs(np.array([8.0, 9.0, 8.0]), 0.125, 3) == [(0, 3)]
    assert flat_runs(np.array([8.0, 9.01, 8.0]), 0.125, 2) == []
    assert flat_runs(np.array([8.0, 8.0, 9.01, 9.0]), 0.125, 2) == [(0, 2), (2, 4)]


def test_of_two_that_overlap_the_longer_is_taken_whole_and_of_equal_ones_the_earlier() -> None:
    # 8 to 9 is in a span of an eighth, 9 to 10 in one of a ninth.
    assert flat_runs(np.array([8.0, 8.0, 9.0, 10.0, 10.0, 10.0]), 0.125, 2) == [(0, 2), (2, 6)]
    assert flat_runs(np.array([8.0, 8.0, 9.0, 10.0, 10.0]), 0.125, 2) == [(0, 3), (3, 5)]
    assert flat_runs(np.array([8.0, 8.0, 9.0, 10.0]), 0.125, 2) == [(0, 3)]


def test_a_lower_value_begins_a_run_anew_behind_the_last_that_is_too_high() -> None:
    assert flat_runs(np.array([16.0, 9.0, 16.0, 8.0, 9.0, 8.0]), 0.125, 2) == [(3, 6)]
    assert flat_runs(np.array([5.0, 5.0, 5.0]), 0.0, 3) == [(0, 3)]
    assert flat_runs(np.zeros(0), 0.1, 1) == []


def test_thousands_of_levels_in_years_of_minutes_cost_no_more_than_their_minutes() -> None:
    one = np.r_[np.full(10, 100.0), np.zeros(20)]
    looked_at = 0

    class Counted(np.ndarray):
        def __sub__(self, other: object) -> object:
            nonlocal looked_at
            looked_at += self.size
            return super().__sub__(other)  # type: ignore[operator]

    rate = np.tile(one, 2_000).view(Counted)
    assert len(levels(rate, STEADY)) == 2_000
    assert looked_at < 10 * len(rate)
