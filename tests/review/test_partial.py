"""Partials of site-days add up in any order, and are cut to a period."""

from __future__ import annotations

import numpy as np
from msgspec.structs import replace

from flowdiag.buffers import address_column
from flowdiag.durations import DAY_MS
from flowdiag.review.partial import SLOT_MS, Missing, SitePartial, Stay, merge, nothing, within
from flowdiag.review.talkers import Carried, named, told

A, B = bytes(15) + b"\x01", bytes(15) + b"\x02"


def partial(
    begin_ms: int, octets: int, talkers: list[tuple[int, int, bytes, int]], stay: Stay
) -> SitePartial:
    """A partial of an hour with one link."""
    empty = nothing(1, begin_ms, 60)
    series, hour, address, carried = map(list, zip(*talkers, strict=True))
    pool = sorted(set(address))
    rows = Carried(
        np.array(hour, np.int64),
        np.array(series, np.int64),
        np.array(carried, np.float64),
        np.array([pool.index(one) for one in address], np.int64),
    )
    return replace(
        empty,
        wire_octets=empty.wire_octets + np.uint64(octets),
        covered=~empty.covered,
        talkers=named(rows, rows, address_column(pool)),
        hosts=octets,
        records=1,
        stays=(stay,),
    )


def same(one: SitePartial, other: SitePartial) -> bool:
    return (
        one.start_ms == other.start_ms
        and np.array_equal(one.wire_octets, other.wire_octets)
        and np.array_equal(one.covered, other.covered)
        and told(one.talkers) == told(other.talkers)
        and (one.hosts, one.records, one.stays) == (other.hosts, other.records, other.stays)
    )


FIRST_HOUR = partial(0, 3, [(0, 0, A, 30), (1, 0, B, 5)], Stay(0, 0, 3_500_000, 10, 1, True, True))
# Reaches back into the last five minutes of the first hour.
SECOND_HOUR = partial(
    3_300_000, 4, [(0, 0, A, 7), (0, 1, B, 9)], Stay(0, 3_400_000, 6_000_000, 20, 2, True, False)
)
THIRD_HOUR = partial(7_200_000, 5, [(0, 2, B, 1)], Stay(0, 7_500_000, 7_600_000, 1, 1, False, False))


def test_octets_of_overlapping_minutes_add_up() -> None:
    merged = merge([FIRST_HOUR, SECOND_HOUR], 1)
    assert merged.wire_octets[0, 0, 54:57].tolist() == [3, 7, 7]
    assert merged.minutes == 115


def test_a_host_named_by_two_days_for_one_hour_is_added_up() -> None:
    talkers = merge([SECOND_HOUR, FIRST_HOUR], 1).talkers
    assert told(talkers) == [(0, 0, A, 37), (0, 1, B, 5), (1, 0, B, 9)]
    assert talkers.total.tolist() == [37, 5, 9]


def test_a_stay_that_goes_on_the_next_day_is_one() -> None:
    merged = merge([FIRST_HOUR, SECOND_HOUR], 1)
    assert merged.stays == (Stay(0, 0, 6_000_000, 30, 3, True, False),)


def test_order_and_grouping_of_merges_do_not_matter() -> None:
    whole = merge([FIRST_HOUR, SECOND_HOUR, THIRD_HOUR], 1)
    assert same(whole, merge([THIRD_HOUR, SECOND_HOUR, FIRST_HOUR], 1))
    assert same(whole, merge([merge([FIRST_HOUR, SECOND_HOUR], 1), THIRD_HOUR], 1))
    assert same(whole, merge([FIRST_HOUR, merge([THIRD_HOUR, SECOND_HOUR], 1)], 1))


def test_a_period_has_its_own_grid_whatever_was_seen() -> None:
    gap = Missing(0, 0, 2 * SLOT_MS)
    cut = within(replace(THIRD_HOUR, missing=(gap,)), SLOT_MS, DAY_MS)
    assert (cut.start_ms, cut.end_ms) == (SLOT_MS, DAY_MS)
    assert int(cut.covered.sum()) == 60
    assert int(cut.wire_octets.sum()) == 2 * 60 * 5
    assert cut.missing == (Missing(0, SLOT_MS, 2 * SLOT_MS),)
    assert cut.stays == THIRD_HOUR.stays


def test_nothing_merges_to_nothing() -> None:
    assert merge([nothing(2)], 2).minutes == 0
