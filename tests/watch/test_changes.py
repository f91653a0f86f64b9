"""Which changes of a site are told, worked out by hand and for any input."""

from __future__ import annotations

from collections.abc import Iterable
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st
from msgspec.structs import replace

from flowdiag.durations import DAY_MS, HOUR_MS, MINUTE_MS
from flowdiag.watch.changes import MOST_AN_HOUR, Place, Rules, changes, farewell
from flowdiag.watch.event import NOT_HEARD, Event, Incident, SiteMemory
from flowdiag.watch.seen import HOLD_MS
from flowdiag.watch.state import Mark, SiteState

START = 1_772_497_800_000  # a whole minute
SITE = Place("harbour/lane", "Harbour Lane", "Pacific/Auckland")
FULL = "link-full"
Span = tuple[float, float]  # minutes after START


def at(minutes: float) -> int:
    return round(START + minutes * MINUTE_MS)


def mark(span: Span, now: float, code: str = FULL, *, window: float = 60, settled: float = 0) -> Mark | None:
    """What a look at `now` shows of a time in which something held: of its last hour, and as ended where records show that."""
    begin, end = max(span[0], now - window), min(span[1], now)
    if begin >= end:
        return None
    return Mark(
        code=code,
        severity="critical",
        confidence="high",
        link="fibre",
        direction="up",
        began_ms=at(begin),
        ended_ms=at(end) if end + settled < now else None,
        before=begin > span[0],
        client="Your upload was full.",
        summary=f"full from minute {begin:g}",
    )


def state(now: float, *marks: Mark | None, heard: float | None = None) -> SiteState:
    last = now if heard is None else heard
    return SiteState(
        on="main",
        judged_ms=at(last),
        heard_ms=at(last),
        begin_ms=at(last - 60),
        heard_since_ms=at(last - 60),
        unheard_ms=at(last + 6),
        marks=tuple(one for one in marks if one is not None),
    )


class Watch:
    """A site that is looked at minute by minute."""

    def __init__(self, rules: Rules | None = None, *, begun: bool = True) -> None:
        self.memory = SiteMemory(looked_ms=at(-1) if begun else None)
        self.rules = rules or Rules()
        self.events: list[Event] = []
        self.corrected: list[Incident] = []

    def look(self, now: float, seen: SiteState, *, listening: bool = True) -> list[Event]:
        done = changes(self.memory, seen, at(now), SITE, self.rules, listening=listening)
        self.memory = done.memory
        self.events += done.events
        self.corrected += done.corrected
        return list(done.events)

    def play(self, spans: Iterable[Span], until: int, *, since: int = 0, code: str = FULL) -> list[Event]:
        spans = list(spans)
        for now in range(since, until):
            self.look(now, state(now, *(mark(span, now, code) for span in spans)))
        return self.events

    @property
    def told(self) -> list[tuple[str, float]]:
        return [(one.state, (one.told_ms - START) / MINUTE_MS) for one in self.events]


def test_nothing_changes_and_nothing_is_told() -> None:
    assert Watch().play([], 300) == []


def test_a_begin_and_an_end_are_told_once_each_with_their_own_times() -> None:
    began, ended = Watch().play([(10, 30)], 120)
    assert (began.state, began.began_ms, began.ended_ms) == ("began", at(10), None)
    assert (ended.state, ended.began_ms, ended.ended_ms) == ("ended", at(10), at(30))
    assert began.key == ended.key
    assert (began.name, ended.name) == (f"{began.key}.1", f"{began.key}.2")
    assert began.told_ms == at(11)
    assert ended.told_ms == at(30) + HOLD_MS


def test_what_lasts_longer_than_a_look_reaches_keeps_its_begin() -> None:
    ended = Watch().play([(10, 250)], 300)[-1]
    assert (ended.began_ms, ended.ended_ms, ended.corrected) == (at(10), at(250), False)


def test_what_goes_on_is_told_once_a_day() -> None:
    watch = Watch()
    watch.play([(10, 3000)], 3100)
    assert [what for what, _ in watch.told] == ["began", "ongoing", "ongoing", "ended"]
    assert watch.told[1][1] - watch.told[0][1] == DAY_MS / MINUTE_MS


def test_a_short_pause_is_no_end() -> None:
    watch = Watch()
    watch.play([(10, 20), (23, 40)], 100)
    assert [what for what, _ in watch.told] == ["began", "ended"]
    assert (watch.events[1].began_ms, watch.events[1].ended_ms) == (at(10), at(40))


def test_what_comes_and_goes_is_told_twice_an_hour_at_most() -> None:
    watch = Watch()
    watch.play([(begin, begin + 5) for begin in range(0, 600, 12)], 700)
    times = [when for _, when in watch.told]
    assert all(sum(one - 60 < other <= one for other in times) <= MOST_AN_HOUR for one in times)
    assert [what for what, _ in watch.told] == ["began", "ended"] * (len(times) // 2)
    assert 15 <= len(times) <= 22  # ten hours
    again = watch.events[2]
    assert "came and went 4 times" in again.summary
    assert again.began_ms == at(12)  # and not when it could be told


def test_a_minimum_duration_has_to_be_reached() -> None:
    watch = Watch(Rules({FULL: 15 * MINUTE_MS}))
    watch.play([(10, 20), (100, 130)], 200)
    assert watch.told == [("began", 115), ("ended", 135)]
    assert watch.events[0].began_ms == at(100)


def test_what_was_over_before_anybody_looked_is_not_told() -> None:
    watch = Watch(begun=False)
    watch.play([(-50, -20), (-10, 30)], 100)
    assert watch.told == [("began", 0), ("ended", 35)]


def test_what_came_and_went_between_two_looks_is_told_all_the_same() -> None:
    watch = Watch()
    watch.look(0, state(0))
    events = watch.look(50, state(50, mark((20, 35), 50)))
    assert [(one.state, one.began_ms, one.ended_ms) for one in events] == [
        ("began", at(20), None),
        ("ended", at(20), at(35)),
    ]


def test_late_records_correct_the_begin() -> None:
    watch = Watch()
    watch.look(20, state(20, mark((15, 40), 20)))
    watch.look(21, state(21, mark((5, 40), 21)))
    (corrected,) = watch.corrected
    assert (corrected.began_ms, corrected.key) == (at(5), watch.events[0].key)
    watch.play([(5, 40)], 60, since=22)
    assert [what for what, _ in watch.told] == ["began", "ended"]
    assert (watch.events[1].began_ms, watch.events[1].corrected) == (at(5), True)


def test_late_records_that_show_that_nothing_was_end_it() -> None:
    watch = Watch()
    watch.look(20, state(20, mark((15, 40), 20)))
    watch.play([], 60, since=21)
    assert watch.told == [("began", 20), ("ended", 25)]


def test_a_mark_that_flickers_ends_nothing() -> None:
    watch = Watch()
    for now in range(10, 60):
        watch.look(now, state(now, None if now in (20, 21, 33) else mark((5, 200), now)))
    assert watch.told == [("began", 10)]


def test_late_records_of_what_was_told_to_be_over_tell_nothing_anew() -> None:
    watch = Watch()
    watch.play([(10, 30)], 40)
    watch.look(41, state(41, mark((10, 33), 41)))
    watch.play([(10, 33)], 100, since=42)
    assert [what for what, _ in watch.told] == ["began", "ended"]
    assert watch.corrected[-1].ended_ms == at(33)


def test_what_was_told_to_be_over_and_went_on_is_the_same_incident() -> None:
    watch = Watch()
    watch.play([(10, 30)], 40)
    watch.look(120, state(120, mark((10, 120), 120, window=120)))
    assert watch.told[-1] == ("ongoing", 120)
    assert len({one.key for one in watch.events}) == 1
    watch.play([(10, 130)], 200, since=121)
    assert [what for what, _ in watch.told] == ["began", "ended", "ongoing", "ended"]
    assert watch.events[-1].ended_ms == at(130)


def test_what_leaves_the_time_looked_at_is_not_corrected_by_that() -> None:
    watch = Watch()
    watch.play([(10, 30)], 100)
    assert watch.corrected == []


def silent(now: float, last: float, *marks: Mark | None) -> SiteState:
    return state(now, *marks, heard=last)


def test_an_exporter_that_is_not_heard() -> None:
    watch = Watch()
    watch.play([], 20)
    for now in range(20, 60):
        watch.look(now, silent(now, 19))
    watch.look(60, replace(state(60), heard_since_ms=at(59)))
    assert [(one.code, one.state) for one in watch.events] == [(NOT_HEARD, "began"), (NOT_HEARD, "ended")]
    assert (watch.events[0].began_ms, watch.events[0].told_ms) == (at(19), at(25))
    assert (watch.events[1].ended_ms, watch.events[1].told_ms) == (at(59), at(60))


def test_of_a_site_that_is_not_heard_nothing_ends() -> None:
    watch = Watch()
    watch.play([(10, 400)], 20)
    for now in range(20, 120):
        watch.look(now, silent(now, 19, mark((10, 400), 19)))
    assert [one.code for one in watch.events] == [FULL, NOT_HEARD]
    watch.look(120, state(120, mark((10, 400), 120)))
    watch.play([(10, 400)], 500, since=121)
    assert [(one.code, one.state) for one in watch.events[2:]] == [(NOT_HEARD, "ended"), (FULL, "ended")]


def test_the_gap_that_a_silence_leaves_is_not_told_again() -> None:
    watch = Watch()
    for now in range(20, 60):
        watch.look(now, silent(now, 19))
    for now in range(60, 100):
        watch.look(now, replace(state(now, mark((19, 60), now, "export-gap")), heard_since_ms=at(60)))
    assert {one.code for one in watch.events} == {NOT_HEARD}


def test_where_nobody_is_heard_no_silence_begins() -> None:
    watch = Watch()
    for now in range(20, 60):
        watch.look(now, silent(now, 19), listening=False)
    assert watch.events == []


def test_a_line_that_is_full_is_busy_as_well() -> None:
    watch = Watch()
    for now in range(120):
        busy, full = (10, 20), (20, 50)
        watch.look(now, state(now, mark(busy, now, "link-busy"), mark(full, now)))
    assert [(one.code, one.state) for one in watch.events] == [
        ("link-busy", "began"),
        (FULL, "began"),
        ("link-busy", "ended"),
        (FULL, "ended"),
    ]
    assert [one.ended_ms for one in watch.events] == [None, None, at(50), at(50)]


def test_the_same_looks_give_the_same_events() -> None:
    spans = [(begin, begin + 5) for begin in range(0, 300, 9)]
    assert Watch().play(spans, 400) == Watch().play(spans, 400)


spans = st.lists(
    st.tuples(st.integers(0, 400), st.integers(1, 60)).map(lambda pair: (pair[0], sum(pair))), max_size=30
)


@given(spans, st.lists(st.integers(0, 500), unique=True, min_size=1, max_size=120), st.integers(0, 8))
def test_for_any_input(spans: list[Span], looks: list[int], settled: int) -> None:
    """Two events of a matter in any hour at most; begin and end by turns; ends later than begins; one name, one event."""
    watch = Watch()
    for now in sorted(looks):
        watch.look(now, state(now, *(mark(span, now, settled=settled) for span in spans)))
    for span in spans:
        assert span[0] < span[1]
    times = [one.told_ms for one in watch.events]
    assert all(sum(one - HOUR_MS < other <= one for other in times) <= MOST_AN_HOUR for one in times)
    assert len({one.name for one in watch.events}) == len(watch.events)
    by_key: dict[str, list[Event]] = {}
    for one in watch.events:
        by_key.setdefault(one.key, []).append(one)
    for events in by_key.values():
        assert events[0].state == "began"
        assert [one.number for one in events] == list(range(1, len(events) + 1))
        for before, after in pairwise(events):
            assert (before.state, after.state) not in {
                ("ended", "ended"),
                ("ongoing", "began"),
                ("ended", "began"),
            }
        for one in events:
            assert one.ended_ms is None or one.began_ms <= one.ended_ms <= one.told_ms


@pytest.mark.parametrize("step_ms", [-2 * HOUR_MS, 2 * HOUR_MS])
def test_a_clock_that_is_set_tells_nothing_by_itself(step_ms: int) -> None:
    """Records keep the collector's clock, which was set too; the newest of them are older or newer than now for a while."""
    watch = Watch()
    watch.play([(10, 400)], 30)
    shifted = step_ms / MINUTE_MS
    for now in range(30, 60):
        watch.look(now + shifted, state(now, mark((10, 400), now)), listening=False)
    assert watch.told == [("began", 11)]


def test_what_was_over_for_an_hour_before_it_was_seen_is_not_told() -> None:
    """Records of hours ago that come now, or a look that reaches further back than others."""
    watch = Watch()
    watch.look(200, state(200))
    watch.look(201, state(201, mark((20, 80), 201, window=400)))
    assert watch.events == []
    watch.look(202, state(202, mark((20, 80), 202, window=400)))
    assert watch.events == []


def test_what_was_over_while_nobody_looked_is_told_where_it_is_seen() -> None:
    watch = Watch()
    watch.look(10, state(10))
    watch.look(300, state(300, mark((20, 80), 300, window=400)))
    assert [one.state for one in watch.events] == ["began", "ended"]


def test_a_leak_has_to_last_longer_than_a_change_over_unless_it_is_asked_for_sooner() -> None:
    soon, later = Watch(Rules({"backup-leak": 0})), Watch()
    for watch in (soon, later):
        watch.play([(10, 60)], 50, code="backup-leak")
    assert [when for _, when in soon.told] == [11]
    assert [when for _, when in later.told] == [20]


def test_what_began_before_anything_that_was_looked_at_says_so() -> None:
    watch = Watch(begun=False)
    watch.play([(-200, 40)], 60)
    began, ended = watch.events
    assert (began.began_ms, began.or_earlier, ended.or_earlier) == (at(-60), True, True)
    assert [one.or_earlier for one in Watch().play([(10, 200)], 250)] == [False, False]


def test_what_goes_on_at_a_site_that_is_not_watched_any_more_ends() -> None:
    watch = Watch()
    watch.play([(10, 400)], 20)
    (ended,) = farewell(SITE.place, watch.memory, at(3000))
    assert (ended.state, ended.key, ended.number) == ("ended", watch.events[0].key, 2)
    assert "not watched any more" in ended.summary
