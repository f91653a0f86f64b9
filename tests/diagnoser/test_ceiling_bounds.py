"""Leaks and ceilings by their own functions, at their bounds."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from msgspec.structs import replace

from flowdiag.aggregator.site_flows import DOWN, UP
from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.findings import backup_leak, below_plan
from flowdiag.diagnoser.findings.below_plan import Ceiling, Proof
from flowdiag.diagnoser.signals.episodes import Episode
from flowdiag.diagnoser.signals.fair_shares import FairShares
from flowdiag.diagnoser.signals.flat_top import Level, Yielding
from flowdiag.diagnoser.signals.moving_ceiling import Together
from flowdiag.diagnoser.signals.wandering import Wandering
from tests.diagnoser.building import MINUTE, Book, ms, profile

SITE = profile(backup=False)
MBPS_MINUTE = 7_500_000
HOUR = 3600


# Leaks --------------------------------------------------------------------------------------------------------------


def leak_case(window: tuple[float, float] | None = None) -> tuple[Case, Any]:
    """Of the backup 18 MB in an hour, half an hour after as much on the primary began."""
    book = Book()
    book.row(0, HOUR, way=DOWN, octets=54_000_000)
    book.row(HOUR / 2, 1.5 * HOUR, way=DOWN, octets=18_000_000, link="lte", outside="203.0.113.77")
    case = book.case(profile(), span=(0, 2 * HOUR), window=window)
    return case, np.array([1])


@pytest.mark.parametrize(
    ("window", "share"),
    [
        ((0, 2 * HOUR), 0.25),
        ((0, HOUR), 0.1429),  # 9 of 9 + 54
        ((HOUR, 2 * HOUR), 1.0),
        ((0, HOUR / 2), 0.25),  # the leak is not in it: of all the export
    ],
)
def test_a_leak_has_its_share_of_the_window_or_of_the_export(
    window: tuple[float, float], share: float
) -> None:
    case, rows = leak_case(window)
    assert backup_leak._share(case, rows) == pytest.approx(share, abs=1e-4)


@pytest.mark.parametrize(("allowance", "passes"), [(12.96, False), (12.95, True)])
def test_a_leak_passes_an_allowance_that_is_less_than_its_month(allowance: float, passes: bool) -> None:
    """18 MB an hour are 432 MB a day and 12.96 GB in thirty days."""
    book = Book()
    book.row(0, HOUR - 1, way=DOWN, octets=18_000_000, link="lte")
    case = book.case(profile(allowance_gb=allowance), span=(0, HOUR - 1))
    found = backup_leak._finding(case, 1, np.array([0]))
    assert found.evidence["month_gb"] == 12.96
    assert found.evidence["passes_allowance"] == passes


# Ceilings -----------------------------------------------------------------------------------------------------------

SURE = Yielding(0.0, 0.5, 9.0, 9.0)
MOVING = Together(common=0.9, moved=0.3, uneven=0.1, transfers=5, hosts=3, destinations=4)
SHARES = FairShares(
    ceiling=1.0, uneven=0.12345, own_pace=1.0, crowding=1.0, transfers=99, hosts=7, destinations=9, largest=0.1,
    start_ms=0, end_ms=1,
)  # fmt: skip


@pytest.mark.parametrize(
    ("first", "stop", "apart"),
    [(0, 10, True), (0, 11, False), (20, 30, True), (19, 30, False), (12, 14, False), (0, 60, False)],
)
def test_a_wandering_ceiling_is_added_where_no_level_is(
    monkeypatch: pytest.MonkeyPatch, first: int, stop: int, apart: bool
) -> None:
    case = Book().case(SITE, span=(0, HOUR))
    time = Wandering(0, DOWN, ms(first * MINUTE), ms(stop * MINUTE), 30.0, MOVING)
    monkeypatch.setattr(below_plan, "wandering", lambda case: (time,))
    monkeypatch.setattr(below_plan, "lasts", lambda case, time: True)
    monkeypatch.setattr(below_plan, "_level_of", lambda case, time: Level(first, stop, 30.0, 0.1))
    proven = [(Level(10, 20, 30.0, 0.0), Proof(SURE, SURE))]
    found = below_plan._with_moving(case, 0, DOWN, proven)
    assert len(found) == 1 + apart
    assert sorted(level.first for level, _ in found) == [level.first for level, _ in found]
    assert below_plan._with_moving(case, 0, UP, proven) == proven


def test_five_records_are_asked_for_to_the_millisecond() -> None:
    case = Book().case(SITE, span=(0, HOUR), resolution_s=120)
    lasts = [
        below_plan.lasts(case, Wandering(0, DOWN, ms(0), ms(seconds), 30.0, MOVING))
        for seconds in (600, 599.9)
    ]
    assert lasts == [True, False]


def rising(minutes: int = 60) -> Case:
    """Downloads of 1, 2, 3 ... Mbit/s, a minute each."""
    book = Book()
    for minute in range(minutes):
        book.row(minute * MINUTE, (minute + 1) * MINUTE - 0.001, way=DOWN, octets=(minute + 1) * MBPS_MINUTE)
    return book.case(SITE)


@pytest.mark.parametrize(
    ("begin", "end", "expected"),
    [
        (600, 780, (10, 13, 12.0)),  # 11, 12, 13
        (571, 809, (10, 13, 12.0)),  # to the nearest minute
        (-600, 180, (0, 3, 2.0)),  # from the first minute of the export
        (3480, 9000, (58, 60, 59.5)),  # to its last one
    ],
)
def test_the_level_of_a_wandering_ceiling_is_the_median_of_its_minutes(
    begin: float, end: float, expected: tuple[int, int, float]
) -> None:
    level = below_plan._level_of(rising(), Wandering(0, DOWN, ms(begin), ms(end), 30.0, MOVING))
    assert (level.first, level.stop, round(level.rate, 3)) == expected


def test_the_flatness_of_a_wandering_ceiling_is_its_deviation_over_its_mean() -> None:
    level = below_plan._level_of(rising(), Wandering(0, DOWN, ms(600), ms(780), 30.0, MOVING))
    assert level.flatness == pytest.approx((2 / 3) ** 0.5 / 12, rel=1e-3)


@pytest.mark.parametrize(
    ("rate", "episode", "held"),
    [
        (69.9, Episode(0, DOWN, ((15, 25),)), True),
        (70.0, Episode(0, DOWN, ((15, 25),)), False),  # busy itself
        (69.9, Episode(0, UP, ((15, 25),)), False),
        (69.9, Episode(0, DOWN, ((20, 25),)), False),
    ],
)
def test_an_episode_in_a_ceiling_under_the_busy_threshold_is_held_down(
    monkeypatch: pytest.MonkeyPatch, rate: float, episode: Episode, held: bool
) -> None:
    ceiling = Ceiling(0, DOWN, ((Level(10, 20, rate, 0.0), Proof(SURE, SURE)),))
    monkeypatch.setattr(below_plan, "ceilings", lambda case: (ceiling,))
    assert below_plan.held_down(Book().case(SITE, span=(0, HOUR)), episode) == held


@pytest.mark.parametrize(("change", "proven"), [(0.03, True), (0.0299, False)])
def test_conversations_that_keep_their_pace_prove_nothing(
    monkeypatch: pytest.MonkeyPatch, change: float, proven: bool
) -> None:
    monkeypatch.setattr(below_plan, "pace", lambda flows, rows: change)
    monkeypatch.setattr(below_plan, "_yielding", lambda *of: (SURE, SURE))
    found = below_plan._proof(rising(), 0, DOWN, Level(10, 50, 30.0, 0.04))
    assert (found is not None) == proven


@pytest.mark.parametrize(
    ("own_pace", "flatness", "minutes", "proven"),
    [(0.25, 0.03, 15, True), (0.249, 0.03, 15, False), (0.25, 0.031, 15, False), (0.25, 0.03, 14, False)],
)
def test_transfers_of_one_record_prove_an_unmistakable_level_by_the_pace_of_all(
    monkeypatch: pytest.MonkeyPatch, own_pace: float, flatness: float, minutes: int, proven: bool
) -> None:
    monkeypatch.setattr(below_plan, "pace", lambda flows, rows: None)
    monkeypatch.setattr(below_plan, "_yielding", lambda *of: (SURE, SURE))
    monkeypatch.setattr(
        below_plan, "fair_shares", lambda flows, rows: replace(SHARES, own_pace=own_pace, transfers=2)
    )
    found = below_plan._proof(rising(), 0, DOWN, Level(10, 10 + minutes, 30.0, flatness))
    assert (found is not None) == proven


def test_the_inner_minutes_of_a_level_leave_out_the_first_and_the_last() -> None:
    case = rising()
    inner = below_plan._inner(case, Level(10, 20, 30.0, 0.0))
    assert (inner.start_ms, inner.step_ms, inner.bins) == (ms(11 * MINUTE), 60_000, 8)
    # Of windows of ten seconds six are a minute.
    short = replace(case, usage=replace(case.usage, window_ms=10_000))
    inner = below_plan._inner(short, Level(60, 120, 30.0, 0.0))
    assert (inner.start_ms, inner.step_ms, inner.bins) == (ms(11 * MINUTE), 60_000, 8)


def test_levels_of_short_windows_are_grouped_by_minutes_with_the_last_before_them() -> None:
    case = rising()
    short = replace(case, usage=replace(case.usage, window_ms=10_000))
    proof = Proof(SURE, SURE)
    levels = [
        (Level(0, 60, 50.0, 0.0), proof),
        (Level(150, 200, 53.0, 0.0), proof),
        (Level(290, 350, 56.0, 0.0), proof),
    ]
    assert [len(group) for group in below_plan._grouped(short, levels)] == [3]
    # 54.1 is more than eight hundredths over 50.
    levels[2] = (Level(291, 350, 50.0, 0.0), proof)
    assert [len(group) for group in below_plan._grouped(short, levels)] == [2, 1]
    assert [len(group) for group in below_plan._grouped(short, levels[:1])] == [1]


def test_the_evidence_of_a_ceiling_of_two_levels() -> None:
    """Minutes at 11, 12, 13 and at 21, 22 Mbit/s of 100."""
    other = Yielding(0.12345, 0.5, 9.0, 3.0)
    levels = (
        (Level(10, 13, 12.0, 0.01234), Proof(SURE, other)),
        (Level(20, 22, 21.5, 0.02345), Proof(replace(other, ratio=0.2), SURE, shares=SHARES)),
    )
    found = below_plan._finding(rising(), Ceiling(0, DOWN, levels))
    evidence = {
        key: found.evidence[key]
        for key in found.evidence
        if key not in ("hosts", "applications", "destinations")
    }
    assert evidence == {
        "capacity_mbps": 100.0,
        "ceiling_mbps": 13.0,
        "share_of_plan": 0.13,
        "mean_mbps": 15.8,
        "peak_mbps": 22.0,
        "minutes_at_ceiling": 5,
        "flatness": 0.0234,
        "variance_ratio_hosts": 0.2,
        "variance_ratio_destinations": 0.1235,
        "unevenness": 0.1235,
        "moved_together": None,
        "hosts_active": 9,
        "spells": [
            {"from": "2026-03-02T10:10:00+00:00", "to": "2026-03-02T10:13:00+00:00"},
            {"from": "2026-03-02T10:20:00+00:00", "to": "2026-03-02T10:22:00+00:00"},
        ],
    }
    assert (found.start_ms, found.end_ms) == (ms(600), ms(1320))
    assert found.doubts == (below_plan.wording.FEW_WINDOWS,)


@pytest.mark.parametrize(
    ("first", "stop", "flatness", "moving", "resolution_s", "doubts"),
    [
        (10, 25, 0.03, None, 60, 0),
        (10, 24, 0.03, None, 60, 1),
        (10, 25, 0.031, None, 60, 1),
        (10, 25, 0.031, MOVING, 60, 0),
        (10, 25, 0.03, None, 900, 0),  # a record as long as the level
        (10, 25, 0.03, None, 901, 1),
    ],
)
def test_a_ceiling_is_sure_from_a_quarter_of_an_hour_on_if_it_is_very_flat(
    first: int, stop: int, flatness: float, moving: Together | None, resolution_s: int, doubts: int
) -> None:
    case = rising()
    case = replace(case, coverage=replace(case.coverage, resolution_s=resolution_s))
    ceiling = Ceiling(0, DOWN, ((Level(first, stop, 30.0, flatness), Proof(SURE, SURE, moving=moving)),))
    found = below_plan._finding(case, ceiling)
    assert len(found.doubts) == doubts
    assert "spells" not in found.evidence
    assert found.evidence["moved_together"] == (0.9 if moving else None)
    assert found.evidence["hosts_active"] == (3 if moving else 9)
