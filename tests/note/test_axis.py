"""Ticks stand at round local times, also where the clocks change."""

from datetime import datetime
from zoneinfo import ZoneInfo

import pytest

from flowdiag.note.axis import highest_share, low_scale, time_ticks
from flowdiag.text.clock import Clock

ZONE = "Pacific/Auckland"
CLOCK = Clock(ZONE)
MINUTE = 60_000


def ms(text: str) -> int:
    return int(datetime.fromisoformat(text).replace(tzinfo=ZoneInfo(ZONE)).timestamp() * 1000)


def labels(start: str, end: str, most: int) -> list[str]:
    return [label for _, label in time_ticks(CLOCK, ms(start), ms(end), most)]


def test_an_hour_and_a_half_has_a_tick_each_quarter_of_an_hour() -> None:
    assert labels("2026-03-03T13:40", "2026-03-03T15:20", 8) == [
        *("13:45", "14:00", "14:15", "14:30", "14:45", "15:00", "15:15")
    ]


def test_days_have_ticks_at_their_midnights_and_are_named() -> None:
    assert labels("2026-03-03T12:00", "2026-03-07T12:00", 5) == [
        "Wed 4 Mar",
        "Thu 5 Mar",
        "Fri 6 Mar",
        "Sat 7 Mar",
    ]


def test_midnights_stay_midnights_when_the_clocks_change() -> None:
    ticks = time_ticks(CLOCK, ms("2026-04-03T00:00"), ms("2026-04-08T00:00"), 6)
    assert [CLOCK.time(at) for at, _ in ticks] == ["00:00"] * 5


@pytest.mark.parametrize("minutes", [1, 7, 60, 1_000, 100_000, 3_000_000])
@pytest.mark.parametrize("most", [1, 7])
def test_there_are_never_many_more_ticks_than_asked_for(minutes: int, most: int) -> None:
    start = ms("2026-03-03T13:37")
    ticks = time_ticks(CLOCK, start, start + minutes * MINUTE, most)
    assert len(ticks) <= most + 1
    assert all(start <= at < start + minutes * MINUTE for at, _ in ticks)


@pytest.mark.parametrize(
    ("peak", "top"), [(0, 1.0), (100, 1.0), (101, 1.0), (110, 1.2), (121, 1.2), (130, 1.4), (9_000, 2.0)]
)
def test_the_scale_ends_at_the_plan_or_as_little_above_as_needed(peak: float, top: float) -> None:
    assert highest_share(peak, 100.0) == top


@pytest.mark.parametrize(
    ("peak", "capacity", "scale"),
    [
        (0.0, 30, None),
        (6.0, 30, None),
        (5.9, 30, 6.0),
        (1.1, 30, 2.0),
        (0.041, 30, 0.06),
        (0.1, 30, 0.1),
        (9, 50, 10.0),
    ],
)
def test_what_is_far_under_the_plan_has_a_scale_of_its_own(
    peak: float, capacity: float, scale: float | None
) -> None:
    assert low_scale(peak, capacity) == (None if scale is None else pytest.approx(scale))
