"""Partials of site-days add up in any order, and are cut to a period."""

from __future__ import annotations

import numpy as np
import pyarrow as pa
from msgspec.structs import replace

from flowdiag.durations import DAY_MS
from flowdiag.review.partial import SLOT_MS, TALKER_SCHEMA, Missing, SitePartial, Stay, merge, nothing, within

A, B = bytes(15) + b"\x01", bytes(15) + b"\x02"


def partial(
    begin_ms: int, octets: int, talkers: list[tuple[int, int, bytes, int]], stay: Stay
) -> SitePartial:
    """A partial of an hour with one link."""
    empty = nothing(1, begin_ms, 60)
    rows = [dict(zip(TALKER_SCHEMA.names, row, strict=True)) for row in talkers]
    return replace(
        empty,
        wire_octets=empty.wire_octets + np.uint64(octets),
        covered=~empty.covered,
        talkers=pa.Table.from_pylist(rows, schema=TALKER_SCHEMA),
        hosts=octets,
        records=1,
        stays=(stay,),
    )


def same(one: SitePartial, other: SitePartial) -> bool:
    return (
        one.start_ms == other.start_ms
        and np.array_equal(one.wire_octets, other.wire_octets)
        and np.array_equal(one.covered, other.covered)
        and one.talkers.equals(other.talkers)
        and (one.hosts, one.records, one.stays) == (other.hosts, other.records, other.stays)
    )


FIRST_HOUR = partial(
    0, 3, [(0, 0, A, 30), (0, 11, A, 10), (1, 0, B, 5)], Stay(0, 0, 3_500_000, 10, 1, True, True)
)
# Reaches back into the last five minutes of the first hour.
SECOND_HOUR = partial(
    3_300_000, 4, [(0, 11, A, 7), (0, 12, B, 9)], Stay(0, 3_400_000, 6_000_000, 20, 2, True, False)
)
THIRD_HOUR = partial(7_200_000, 5, [(0, 24, B, 1)], Stay(0, 7_500_000, 7_600_000, 1, 1, False, False))


def test_octets_of_overlapping_minutes_add_up() -> None:
    merged = merge([FIRST_HOUR, SECOND_HOUR], 1)
    assert merged.wire_octets[0, 0, 54:57].tolist() == [3, 7, 7]
    assert merged.minutes == 115


def test_a_host_named_by_two_days_for_one_slot_is_added_up() -> None:
    merged = merge([SECOND_HOUR, FIRST_HOUR], 1).talkers.to_pylist()
    assert [(row["series"], row["slot"], row["octets"]) for row in merged] == [
        (0, 0, 30), (0, 11, 17), (0, 12, 9), (1, 0, 5),
    ]  # fmt: skip


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
