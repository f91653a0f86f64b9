"""A clock that is set, and a collector that hears nobody, tell nothing of the sites."""

from __future__ import annotations

import pytest
from msgspec.structs import replace

from flowdiag.durations import HOUR_MS, MINUTE_MS
from flowdiag.watch.changes import Rules
from flowdiag.watch.clock import SETTLED_S, WatchClock
from flowdiag.watch.event import NOT_HEARD, Incident, Matter, SiteMemory
from flowdiag.watch.everywhere import changes_everywhere, listens
from flowdiag.watch.state import SiteState

NOW = 1_772_497_800_000


class Times:
    def __init__(self) -> None:
        self.wall, self.steady = NOW / 1000, 100.0

    def pass_(self, seconds: float, step: float = 0.0) -> None:
        self.wall += seconds + step
        self.steady += seconds


def settled_after(step: float, wait: float) -> bool:
    times = Times()
    clock = WatchClock(lambda: times.wall, lambda: times.steady)
    clock.now_ms()
    times.pass_(60, step)
    clock.now_ms()
    times.pass_(wait)
    clock.now_ms()
    return clock.settled


def test_a_clock_that_was_set_is_not_relied_on_for_a_while() -> None:
    assert settled_after(0, 60)
    assert settled_after(0.5, 60)  # slewed by a time service
    for step in (3600, -3600):
        assert not settled_after(step, 60)
        assert settled_after(step, SETTLED_S)


@pytest.mark.parametrize(
    ("wall", "every_s", "wait_s"),
    [(0, 60, 8), (7, 60, 1), (8, 60, 60), (30, 60, 38), (61, 120, 67), (3, 10, 2), (0.5, 1, 1)],
)
def test_rounds_begin_when_the_collector_has_handed_on(wall: float, every_s: float, wait_s: float) -> None:
    clock = WatchClock(lambda: NOW / 1000 // 3600 * 3600 + wall, lambda: 0.0)
    assert clock.until_round_s(every_s) == pytest.approx(wait_s)


def site(heard_ms: int, *, silent: bool = False) -> SiteMemory:
    told = Incident(
        key="k", matter=Matter(NOT_HEARD), severity="critical", confidence="high", began_ms=heard_ms,
        ended_ms=None, seen_ms=heard_ms, client="", summary="", told=(heard_ms + 6 * MINUTE_MS,),
    )  # fmt: skip
    state = SiteState(on="main", judged_ms=heard_ms, heard_ms=heard_ms, unheard_ms=heard_ms + 6 * MINUTE_MS)
    return SiteMemory(state=state, looked_ms=heard_ms, incidents=(told,) if silent else ())


def test_a_silence_is_the_sites_own_while_others_are_heard() -> None:
    old, new = site(NOW - 10 * MINUTE_MS), site(NOW - MINUTE_MS)
    assert listens([old, new], NOW)
    assert not listens([old, old], NOW)
    assert listens([old], NOW)  # nobody else could be heard
    assert listens([old, site(NOW - HOUR_MS, silent=True)], NOW)


def test_when_all_fall_silent_it_is_told_once_of_all() -> None:
    sites = [site(NOW - 10 * MINUTE_MS), site(NOW - 9 * MINUTE_MS)]
    memory = SiteMemory()
    done = changes_everywhere(memory, sites, NOW, Rules(), settled=True)
    (event,) = done.events
    assert (event.code, event.state, event.place) == (NOT_HEARD, "began", "")
    assert event.began_ms == NOW - 9 * MINUTE_MS
    assert "collector" in event.summary
    assert "your router" not in event.client
    again = changes_everywhere(done.memory, sites, NOW + MINUTE_MS, Rules(), settled=True)
    assert again.events == ()
    back = [replace(one, state=replace(one.state, heard_ms=NOW, unheard_ms=NOW + HOUR_MS)) for one in sites]
    (ended,) = changes_everywhere(again.memory, back, NOW + 2 * MINUTE_MS, Rules(), settled=True).events
    assert (ended.state, ended.key) == ("ended", event.key)


def test_nothing_is_told_of_all_while_the_clock_is_not_relied_on() -> None:
    sites = [site(NOW - 10 * MINUTE_MS)] * 3
    assert changes_everywhere(SiteMemory(), sites, NOW, Rules(), settled=False).events == ()
