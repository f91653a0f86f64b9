"""What weighs how much on a finding's confidence: each bound at it, and beside it."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from msgspec.structs import replace

from flowdiag.aggregator.site_flows import DOWN, UP
from flowdiag.diagnoser import confidence
from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.confidence import MAJOR, MINOR, NOTED, Doubt
from flowdiag.text.sentences import load as wording
from tests.diagnoser.building import MINUTE, Book, ms

FIBRE, LTE = 0, 1


def hour(**coverage: Any) -> Case:
    """An hour of which the export has one record a minute; its coverage as given."""
    book = Book()
    for minute in range(60):
        book.row(minute * MINUTE, minute * MINUTE + 30, way=DOWN, octets=1000)
    case = book.case(span=(0, 3600))
    return replace(case, coverage=replace(case.coverage, **coverage))


def weight(doubt: Doubt | None) -> int | None:
    return None if doubt is None else doubt.weight


@pytest.mark.parametrize(
    ("weights", "level"),
    [
        ([], "high"),
        ([NOTED, NOTED], "high"),
        ([MINOR], "medium"),
        ([MINOR, MINOR], "medium"),
        ([MINOR, MINOR, MINOR], "low"),
        ([NOTED, MAJOR], "low"),
    ],
)
def test_the_level_follows_from_the_sum_of_the_doubts(weights: list[int], level: str) -> None:
    doubts = [Doubt(f"doubt {place}", one) for place, one in enumerate(weights)]
    assert confidence.grade([None, *doubts])[0] == level


def test_the_weightiest_doubt_is_said_first_and_equal_ones_in_their_order() -> None:
    doubts = [Doubt("a", NOTED), Doubt("b", MINOR), Doubt("c", MAJOR), Doubt("d", MINOR)]
    assert confidence.graded(doubts) == ("low", ("c", "b", "d", "a"))


def test_of_several_findings_the_least_sure_counts() -> None:
    assert confidence.lowest(["high", "low", "medium"]) == "low"
    assert confidence.lowest(["high", "medium"]) == "medium"


def test_a_mean_within_two_hundredths_over_the_threshold_may_be_under_it() -> None:
    assert weight(confidence.of_margin(0.5099, 0.5)) == MINOR
    assert confidence.of_margin(0.51, 0.5) is None


@pytest.mark.parametrize(
    ("direction", "share", "arrived", "offered"),
    [
        (DOWN, 1.05, (), False),
        (DOWN, 1.051, (), True),
        (DOWN, 1.051, (False, False), True),
        (DOWN, 1.051, (True, False), False),  # metered behind the queue: it was carried
        (UP, 1.051, (True, False), True),  # an upload is metered before its queue
    ],
)
def test_more_than_the_plan_may_be_what_was_offered(
    direction: int, share: float, arrived: tuple[bool, ...], offered: bool
) -> None:
    case = hour(arrived=arrived)
    assert confidence.may_be_offered(case, FIBRE, direction, share) == offered
    assert not confidence.may_be_offered(case, LTE, direction, share)  # its rate varies
    doubt = confidence.of_plan(case, FIBRE, direction, share)
    said = wording.offered(share) if offered else wording.over_plan(share)
    assert doubt == (None if share <= 1.05 else Doubt(said, MINOR))


@pytest.mark.parametrize(
    ("link", "share", "expected"),
    [
        (FIBRE, 1.05, None),
        (FIBRE, 1.15, MINOR),
        (FIBRE, 1.151, MAJOR),
        (LTE, 1.15, MINOR),
        (LTE, 1.151, MAJOR),
    ],
)
def test_far_over_the_plan_the_plan_is_wrong(link: int, share: float, expected: int | None) -> None:
    assert weight(confidence.of_plan(hour(), link, UP, share)) == expected


def test_a_rate_that_varies_is_only_typical() -> None:
    assert confidence.of_plan(hour(), LTE, DOWN, 0.5) == Doubt(wording.TYPICAL_RATE, MINOR)
    assert confidence.of_plan(hour(), LTE, DOWN, 1.2) == Doubt(wording.over_typical(1.2), MAJOR)


def test_records_longer_than_the_episode_blur_it() -> None:
    case = hour(resolution_s=300)
    assert confidence.of_resolution(case, 300_000) is None
    assert weight(confidence.of_resolution(case, 299_999)) == MINOR


def test_a_tenth_of_silence_is_a_doubt_from_there_on() -> None:
    heard = np.ones(60, np.bool_)
    heard[20:22] = False
    case = hour(heard=heard)
    assert confidence.of_silence(case, slice(20, 40)) is None  # 18 of 20
    assert weight(confidence.of_silence(case, slice(20, 39))) == MINOR  # 17 of 19
    assert confidence.of_silence(case, slice(22, 40)) is None
    assert confidence.of_silence(case, slice(70, 80)) is None  # no such windows


@pytest.mark.parametrize(("resolution_s", "before_s"), [(60, 60), (300, 300), (10, 60)])
def test_what_reaches_into_the_last_record_or_minute_of_the_export_is_noted(
    resolution_s: int, before_s: int
) -> None:
    case = hour(resolution_s=resolution_s)
    assert confidence.of_end(case, ms(3600 - before_s)) is None
    assert weight(confidence.of_end(case, ms(3600 - before_s) + 1)) == NOTED
    assert confidence.of_end(hour(last_ms=None), ms(3600)) is None


@pytest.mark.parametrize(
    ("lost", "records", "lowers", "stays"),
    [
        (0, 0, None, None),
        (1, 1000, None, None),
        (1, 999, NOTED, NOTED),  # a thousandth
        (1, 100, NOTED, NOTED),
        (1, 99, MINOR, NOTED),  # a hundredth
        (10, 91, MINOR, NOTED),
        (10, 90, MAJOR, MINOR),  # a tenth
    ],
)
def test_lost_records_weigh_by_their_part_and_more_where_octets_missing_turn_the_statement(
    lost: int, records: int, lowers: int | None, stays: int | None
) -> None:
    case = hour(lost_records=lost, records=records)
    assert confidence.loss_share(case) == pytest.approx(lost / ((lost + records) or 1))
    assert weight(confidence.of_loss(case, lowers=True)) == lowers
    assert weight(confidence.of_loss(case, lowers=False)) == stays


def test_nothing_seen_is_far_from_full_whatever_the_error() -> None:
    assert weight(confidence.of_sampling(hour(sampling=100.0), 900.0, 0.0, 0.9)) == NOTED
