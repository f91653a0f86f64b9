"""Who is told what and when: storms, quiet hours, mutes and acknowledgements, with time as a number."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

import pytest
from msgspec.structs import replace

from flowdiag.durations import DAY_MS, HOUR_MS, MINUTE_MS
from flowdiag.site.hours import parse_hours
from flowdiag.watch.event import Event
from flowdiag.watch.notify import Notify, Quiet, Target
from flowdiag.watch.part import MOST_LETTERS, Letter, Part
from flowdiag.watch.telling import MOST_TRIES, join_storms, letters_for
from tests.watch.invented import NOON_MS, end, event
from tests.watch.told import NOC, WAIT_MS, Told, behind, names


def test_a_site_by_itself_is_told_at_once() -> None:
    told, one = Told(), event()
    assert told.at(NOON_MS, one) == [names(one)]
    assert told.at(NOON_MS + MINUTE_MS) == []


def test_three_hundred_sites_behind_one_upstream_are_one_message_when_all_were_seen() -> None:
    """They are noticed in two rounds, as their records come."""
    told, sites = Told(), behind("north", 300)
    later = [replace(one, told_ms=one.told_ms + MINUTE_MS) for one in sites[100:]]
    assert told.at(NOON_MS, *sites[:100]) == []
    assert told.at(NOON_MS + MINUTE_MS, *later) == []
    assert told.at(NOON_MS + WAIT_MS) == [names(*sites[:100], *later)]
    assert {one.incident for one in told.part.events} == {sites[0].key}


def test_a_storm_that_ends_is_one_message_too() -> None:
    told, sites = Told(), behind("north", 300)
    told.at(NOON_MS, *sites)
    told.at(NOON_MS + WAIT_MS)
    ends = [end(one) for one in sites]
    assert told.at(NOON_MS + 12 * MINUTE_MS, *ends[:150]) == []
    assert told.at(NOON_MS + 13 * MINUTE_MS, *ends[150:]) == []
    assert told.at(NOON_MS + 12 * MINUTE_MS + WAIT_MS) == [names(*ends)]


def test_what_ends_while_its_begin_waits_goes_with_it() -> None:
    told, one = Told(), event(upstream="north")
    told.at(NOON_MS, one)
    told.at(NOON_MS + MINUTE_MS, end(one, 1))
    assert told.at(NOON_MS + WAIT_MS) == [names(one, end(one, 1))]


def test_one_behind_an_upstream_whose_neighbours_are_well_is_told_by_itself_and_its_end_at_once() -> None:
    told, one = Told(), event(upstream="north")
    assert told.at(NOON_MS, one) == []
    assert told.at(NOON_MS + WAIT_MS) == [names(one)]
    assert told.at(NOON_MS + 12 * MINUTE_MS, end(one)) == [names(end(one))]


@pytest.mark.parametrize(
    ("changed", "joins"),
    [
        ({}, True),
        ({"upstream": "south"}, False),
        ({"code": "outage"}, False),
        ({"began_ms": NOON_MS + 2 * MINUTE_MS}, True),
        ({"began_ms": NOON_MS + 3 * MINUTE_MS}, False),
        ({"began_ms": NOON_MS + 3 * MINUTE_MS, "told_ms": NOON_MS + 3 * MINUTE_MS}, True),  # noticed with it
        ({"began_ms": NOON_MS + MINUTE_MS, "told_ms": NOON_MS + HOUR_MS}, True),  # its records came late
    ],
)
def test_what_joins_a_storm(changed: dict[str, object], joins: bool) -> None:
    first = event(upstream="north")
    second = event(**({"place": "kowhai/corner", "upstream": "north"} | changed))  # type: ignore[arg-type]
    told = join_storms([first], [second])[0]
    assert (told.incident == first.key) is joins


def test_joining_is_the_same_in_any_order_and_keeps_the_order_of_events() -> None:
    sites = behind("north", 20)
    forth, back = join_storms([], sites), join_storms([], sites[::-1])
    assert forth == back[::-1]
    assert names(*forth) == names(*sites)


def test_sites_do_not_join_a_storm_one_after_the_other_for_ever() -> None:
    """Each begins a minute after the one before; only those within two minutes of the first are its."""
    one_by_one = [
        replace(one, began_ms=NOON_MS + n * MINUTE_MS, told_ms=NOON_MS + n * MINUTE_MS)
        for n, one in enumerate(behind("north", 9))
    ]
    told = join_storms([], one_by_one)
    assert len({one.incident for one in told}) == 3


def test_later_events_are_told_under_the_incident_of_their_begin() -> None:
    begins = join_storms([], behind("north", 3))
    ends = join_storms(begins, [replace(end(one), incident=one.key) for one in begins])
    assert {one.incident for one in ends} == {begins[0].key}


def test_a_message_that_was_due_is_never_changed() -> None:
    """It may have been sent when the watch was killed: a late one gets a message of its own."""
    told, (first, late) = Told(), behind("north", 2)
    told.at(NOON_MS, first)
    after = NOON_MS + WAIT_MS
    (letter,) = told.part.letters
    joined = join_storms(told.part.events, [late])
    same, other = letters_for(NOC, told.part, joined, (), after)
    assert same == letter
    assert other.events == names(late)
    assert other.due_ms == after + WAIT_MS


def test_what_was_tried_is_never_changed() -> None:
    told, (first, late) = Told(), behind("north", 2)
    told.at(NOON_MS, first)
    tried = replace(told.part.letters[0], tries=1, due_ms=NOON_MS + HOUR_MS)
    part = replace(told.part, letters=(tried,))
    same, other = letters_for(NOC, part, join_storms(part.events, [late]), (), NOON_MS + MINUTE_MS)
    assert (same, other.events) == (tried, names(late))


def test_names_tell_messages_apart_and_are_the_same_for_the_same() -> None:
    sites = behind("north", 3)
    seen = set()
    for few in (sites[:1], sites[:2], sites):
        letters = [letters_for(NOC, Part(), join_storms([], few), (), NOON_MS) for _ in range(2)]
        assert letters[0] == letters[1]
        seen.add(letters[0][0].name)
    assert len(seen) == 3
    both = Notify(targets=(Target(name="noc"), Target(name="desk")))
    assert len({letter.name for letter in letters_for(both, Part(), sites[:1], (), NOON_MS)}) == 2


def test_nothing_changes_where_nothing_happens() -> None:
    told = Told()
    told.at(NOON_MS, event(upstream="north"))
    assert letters_for(NOC, told.part, (), (), NOON_MS + MINUTE_MS) is told.part.letters
    assert letters_for(NOC, Part(), (), (), NOON_MS) == ()


# Who wants what.


@pytest.mark.parametrize(
    ("target", "wanted"),
    [
        (Target(name="noc"), True),
        (Target(name="noc", severity="critical"), False),
        (Target(name="noc", severity="info"), True),
        (Target(name="noc", codes=("outage",)), False),
        (Target(name="noc", codes=("outage", "on-backup")), True),
        (Target(name="noc", sites=("kowhai/*",)), True),
        (Target(name="noc", sites=("rata/*",)), False),
        (Target(name="noc", sites=("Harbour",)), True),  # by its name
        (Target(name="noc", states=("ended",)), False),
    ],
)
def test_a_target_is_told_what_it_asks_for(target: Target, wanted: bool) -> None:
    letters = letters_for(Notify(targets=(target,)), Part(), [event()], (), NOON_MS)
    assert bool(letters) is wanted


def test_who_was_told_of_something_grave_hears_its_end_though_it_is_not_so_grave_any_more() -> None:
    told = Told(Notify(targets=(Target(name="noc", severity="critical"),)))
    one, other = event(severity="critical"), event("kowhai/corner")
    over, other_over = replace(end(one), severity="warning"), end(other)
    assert told.at(NOON_MS, one, other) == [names(one)]
    assert told.at(NOON_MS + 10 * MINUTE_MS, over, other_over) == [names(over)]


def test_what_is_of_all_sites_is_told_to_who_is_told_of_some() -> None:
    assert Target(name="noc", sites=("rata/*",)).wants(event("", "not-heard", site="all sites"))


def test_a_place_with_brackets_in_it_is_meant_by_itself() -> None:
    target = Target(name="noc", sites=("kowhai/[old] depot",))
    assert target.wants(event("kowhai/[old] depot"))
    assert not target.wants(event("kowhai/o depot"))


# Quiet hours.


def at(text: str) -> int:
    return round(datetime.fromisoformat(text).timestamp() * 1000)


def night(hours: str = "22:00-06:00", timezone: str = "UTC") -> Notify:
    return Notify(targets=(Target(name="noc", quiet=Quiet(parse_hours(hours), timezone)),))


def test_quiet_hours_hold_everything_for_one_message() -> None:
    told = Told(night())
    evening, morning = at("2026-03-02T22:00Z"), at("2026-03-03T06:00Z")
    one, other, storm = event(), event("kowhai/corner"), behind("north", 3)
    assert told.at(evening - MINUTE_MS, one) == [names(one)]
    assert told.at(evening, end(one)) == []
    told.at(evening + HOUR_MS, other, *storm)
    told.at(evening + 2 * HOUR_MS, end(other))
    assert told.minutes(evening + 3 * HOUR_MS, morning + HOUR_MS) == [
        (morning, names(end(one), other, *storm, end(other)))
    ]


def test_a_storm_that_waits_when_quiet_hours_begin_is_told_when_they_end() -> None:
    told, evening = Told(night()), at("2026-03-02T22:00Z")
    told.at(evening - MINUTE_MS, *(storm := behind("north", 2)))
    assert told.minutes(evening, evening + DAY_MS) == [(evening + 8 * HOUR_MS, names(*storm))]


def test_what_is_tried_again_waits_for_the_end_of_quiet_hours() -> None:
    evening = at("2026-03-02T22:00Z")
    tried = Letter("name", "noc", ("x.1",), evening - HOUR_MS, evening, tries=3, fault="down")
    (letter,) = letters_for(night(), Part(letters=(tried,)), (), (), evening)
    assert letter == replace(tried, due_ms=evening + 8 * HOUR_MS)


def test_what_was_due_when_quiet_hours_began_is_not_changed_in_them() -> None:
    """It may have been sent when the watch was killed."""
    evening, storm = at("2026-03-02T22:00Z"), behind("north", 2)
    due = letters_for(night(), Part(), storm[:1], (), evening - WAIT_MS)
    part = Part(events=(storm[0],), letters=due)
    for minute in range(5):
        letters = letters_for(
            night(), part, storm[1:] if not minute else (), (), evening + minute * MINUTE_MS
        )
        part = Part(events=tuple(storm), letters=letters)
    assert [letter.events for letter in part.letters] == [names(storm[0]), names(storm[1])]


def test_quiet_hours_that_are_taken_out_of_the_file_hold_nothing_any_more() -> None:
    told, evening = Told(night()), at("2026-03-02T23:00Z")
    told.at(evening, one := event())
    told.notify = NOC
    assert told.at(evening + MINUTE_MS) == [names(one)]


@pytest.mark.parametrize(
    ("timezone", "hours", "begin", "ends"),
    [
        # 29 March 2026, 01:00 UTC: 02:00 CET becomes 03:00 CEST, and there is no 02:30.
        ("Europe/Berlin", "22:00-06:00", "2026-03-28T22:00+01:00", "2026-03-29T06:00+02:00"),
        ("Europe/Berlin", "22:00-02:30", "2026-03-28T22:00+01:00", "2026-03-29T03:00+02:00"),
        ("Europe/Berlin", "02:10-02:40", "2026-03-28T02:10+01:00", "2026-03-28T02:40+01:00"),
        # 25 October 2026, 01:00 UTC: 03:00 CEST becomes 02:00 CET, and 02:30 comes twice.
        ("Europe/Berlin", "22:00-06:00", "2026-10-24T22:00+02:00", "2026-10-25T06:00+01:00"),
        ("Europe/Berlin", "22:00-02:30", "2026-10-24T22:00+02:00", "2026-10-25T02:30+02:00"),
        ("Europe/Berlin", "22:00-02:30", "2026-10-25T02:10+01:00", "2026-10-25T02:30+01:00"),
        ("Europe/Berlin", "22:00-03:00", "2026-10-24T22:00+02:00", "2026-10-25T03:00+01:00"),
        # 5 April 2026, 03:00 NZDT becomes 02:00 NZST; 27 September 2026, 02:00 NZST becomes 03:00 NZDT.
        ("Pacific/Auckland", "22:00-06:00", "2026-04-04T22:00+13:00", "2026-04-05T06:00+12:00"),
        ("Pacific/Auckland", "22:00-02:30", "2026-04-04T22:00+13:00", "2026-04-05T02:30+13:00"),
        ("Pacific/Auckland", "22:00-02:30", "2026-09-26T22:00+12:00", "2026-09-27T03:00+13:00"),
        ("Pacific/Auckland", "22:00-06:00", "2026-09-26T22:00+12:00", "2026-09-27T06:00+13:00"),
        ("UTC", "Fri 18:00-08:00, Sat, Sun", "2026-03-06T18:00Z", "2026-03-09T00:00Z"),
        ("UTC", "Sun 22:00-06:00", "2026-03-08T23:59Z", "2026-03-09T06:00Z"),
    ],
)
def test_quiet_hours_go_by_the_wall_clock(timezone: str, hours: str, begin: str, ends: str) -> None:
    quiet = Quiet(parse_hours(hours), timezone)
    assert quiet.until_ms(at(begin)) == at(ends)
    assert quiet.until_ms(at(ends)) is None
    assert quiet.until_ms(at(ends) - 1) == at(ends)


def test_no_minute_of_a_night_of_change_is_told_wrong() -> None:
    """Each minute of both nights against the wall clock itself."""
    from zoneinfo import ZoneInfo

    quiet = Quiet(parse_hours("22:00-02:30"), "Europe/Berlin")
    for day in ("2026-03-28T12:00Z", "2026-10-24T12:00Z"):
        for ms in range(at(day), at(day) + DAY_MS, MINUTE_MS):
            wall = datetime.fromtimestamp(ms / 1000, ZoneInfo("Europe/Berlin"))
            is_quiet = wall.hour >= 22 or (wall.hour, wall.minute) < (2, 30)
            assert (quiet.until_ms(ms) is not None) is is_quiet


def test_a_clock_that_is_put_back_makes_nobody_wait_longer_than_anew() -> None:
    told, one = Told(), event(upstream="north")
    told.at(NOON_MS, one)
    back = NOON_MS - 5 * HOUR_MS
    assert told.at(back) == []
    assert told.at(back + WAIT_MS) == [names(one)]


def test_a_clock_that_is_put_back_does_not_put_off_what_is_tried_again() -> None:
    tried = Letter("name", "noc", ("x.1",), NOON_MS, NOON_MS + HOUR_MS, tries=3, fault="down")
    (letter,) = letters_for(NOC, Part(letters=(tried,)), (), (), NOON_MS - 30 * DAY_MS)
    assert letter.due_ms == NOON_MS - 30 * DAY_MS + 6 * HOUR_MS


# Bounds.


def test_of_more_letters_than_are_kept_the_oldest_are_given_up() -> None:
    many = tuple(
        Letter(f"name-{n}", "noc", (f"x-{n}.1",), NOON_MS, NOON_MS + HOUR_MS, tries=1)
        for n in range(MOST_LETTERS)
    )
    letters = letters_for(NOC, Part(letters=many), [event(), event("kowhai/corner")], (), NOON_MS)
    given_up = [letter for letter in letters if letter.tries >= MOST_TRIES]
    assert [letter.name for letter in given_up] == ["name-0", "name-1"]
    assert {letter.due_ms for letter in given_up} == {NOON_MS}


def test_letters_of_a_target_that_is_not_in_the_file_any_more_stay() -> None:
    other = Letter("name", "gone", ("x.1",), NOON_MS, NOON_MS)
    assert letters_for(NOC, Part(letters=(other,)), (), (), NOON_MS) == (other,)


def test_ten_thousand_sites_are_told_in_seconds() -> None:
    import time

    sites: Sequence[Event] = [event(f"kowhai/site-{n}", upstream=f"north-{n % 20}") for n in range(10_000)]
    began = time.monotonic()
    letters = letters_for(NOC, Part(), join_storms([], sites), (), NOON_MS)
    assert time.monotonic() - began < 10
    assert len(letters) == 20
