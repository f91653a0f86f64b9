"""What is told while sites are played is what was played: nothing is missing, nothing is false."""

from __future__ import annotations

from pathlib import Path

import pytest

from flowdiag.durations import HOUR_MS, MINUTE_MS
from flowdiag.watch.event import Event
from tests.watch.casts import NOON, cast, storm
from tests.watch.healthy import healthy
from tests.watch.test_telling import Told
from tests.watch.watching import judge, watched


@pytest.mark.slow
@pytest.mark.parametrize(
    ("name", "number", "minutes"),
    [
        ("failover", 2, 30),
        ("full-up-short", 0, 20),
        ("dead-backup", 0, 55),
        ("not-heard", 0, 57),
        ("late-records", 1, 50),
        ("people-go", 0, 40),
        ("outage", 0, 35),
    ],
)
def test_what_is_told_is_what_was_played(tmp_path: Path, name: str, number: int, minutes: int) -> None:
    one, events = cast(name, number), []
    for looked in watched(tmp_path, [one], from_ms=NOON - 2 * MINUTE_MS, until_ms=NOON + minutes * MINUTE_MS):
        events += looked.events
    assert judge(one, events).wrong == ()


@pytest.mark.slow
def test_thirty_sites_that_lose_their_lines_together_are_one_message(tmp_path: Path) -> None:
    casts, told = storm(30, "exchange north"), Told()
    rounds: dict[int, list[Event]] = {}
    for looked in watched(tmp_path, casts, from_ms=NOON, until_ms=NOON + 5 * MINUTE_MS):
        rounds.setdefault(looked.now_ms, []).extend(looked.events)
    messages = [message for now_ms, own in rounds.items() for message in told.at(now_ms, *own)]
    assert [len(message) for message in messages] == [len(casts)]


@pytest.mark.slow
def test_of_a_healthy_day_nothing_is_told(tmp_path: Path) -> None:
    site = healthy(1, 3)
    monday_ms = site.from_ms + 53 * HOUR_MS
    for looked in watched(tmp_path, [site], from_ms=monday_ms, every_ms=40 * MINUTE_MS):
        assert looked.events == ()


@pytest.mark.slow
def test_three_minutes_in_which_nobody_does_anything_are_no_outage(tmp_path: Path) -> None:
    site = healthy(14, 3)
    pause_ms = site.from_ms + 63 * HOUR_MS  # on a Monday afternoon at an office of few
    looks = list(
        watched(
            tmp_path, [site], from_ms=pause_ms - 14 * MINUTE_MS, until_ms=pause_ms, every_ms=2 * MINUTE_MS
        )
    )
    assert [looked.events for looked in looks if looked.events] == []
