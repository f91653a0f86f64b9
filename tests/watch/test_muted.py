"""What is not told for a while, and what of it is told then."""

from __future__ import annotations

from msgspec.structs import replace

from flowdiag.durations import DAY_MS, HOUR_MS, MINUTE_MS
from flowdiag.watch.event import Event
from flowdiag.watch.silenced import Silence
from flowdiag.watch.telling import MUTED
from tests.watch.invented import NOON_MS, end, event, reminder
from tests.watch.told import NOC, WAIT_MS, Told, behind, names


def muted(minutes: int, **what: str) -> Silence:
    return Silence(kind="muted", until_ms=NOON_MS + minutes * MINUTE_MS, **({"site": "kowhai/*"} | what))  # type: ignore[arg-type]


def acknowledged(one: Event, minutes: int) -> Silence:
    return Silence(kind="acknowledged", until_ms=NOON_MS + minutes * MINUTE_MS, key=one.key)


def test_of_what_began_and_ended_while_muted_nobody_hears() -> None:
    told, one = Told(NOC, muted(60)), event()
    assert told.at(NOON_MS, one) == []
    assert [letter.group for letter in told.part.letters] == [MUTED]
    assert told.at(NOON_MS + 12 * MINUTE_MS, end(one)) == []
    assert told.part.letters == ()
    assert told.minutes(NOON_MS, NOON_MS + 2 * HOUR_MS) == []


def test_what_goes_on_when_a_mute_ends_is_told_then() -> None:
    told, one = Told(NOC, muted(60)), event()
    told.at(NOON_MS, one)
    told.at(NOON_MS + MINUTE_MS, reminder(one))
    assert told.minutes(NOON_MS + MINUTE_MS, NOON_MS + 2 * HOUR_MS) == [(NOON_MS + HOUR_MS, names(one))]


def test_what_ends_in_the_round_in_which_a_mute_ends_is_not_told() -> None:
    told, one = Told(NOC, muted(10)), event()
    told.at(NOON_MS, one)
    assert told.minutes(NOON_MS + MINUTE_MS, NOON_MS + 10 * MINUTE_MS) == []
    assert told.at(NOON_MS + 10 * MINUTE_MS, end(one, 8)) == []
    assert told.part.letters == ()


def test_an_end_of_what_was_told_before_it_was_muted_is_told_after_the_mute() -> None:
    told, one = Told(), event()
    told.at(NOON_MS, one)
    told.silences = (muted(60),)
    assert told.at(NOON_MS + 12 * MINUTE_MS, end(one)) == []
    assert told.minutes(NOON_MS + 13 * MINUTE_MS, NOON_MS + 2 * HOUR_MS) == [
        (NOON_MS + HOUR_MS, names(end(one)))
    ]


def test_a_mute_that_is_taken_back_ends_at_once() -> None:
    told, one = Told(NOC, muted(60)), event()
    told.at(NOON_MS, one)
    told.silences = ()
    assert told.at(NOON_MS + MINUTE_MS) == [names(one)]


def test_a_mute_takes_its_sites_out_of_a_message_that_waits() -> None:
    told, storm = Told(), behind("north", 3)
    told.at(NOON_MS, *storm)
    told.silences = (muted(60, site="kowhai/site-001"),)
    assert told.at(NOON_MS + MINUTE_MS) == []
    assert told.at(NOON_MS + WAIT_MS) == [names(storm[0], storm[2])]
    assert told.minutes(NOON_MS + 4 * MINUTE_MS, NOON_MS + 2 * HOUR_MS) == [
        (NOON_MS + 64 * MINUTE_MS, names(storm[1]))  # it is of a storm, and waits for others of it
    ]


def test_a_storm_is_muted_by_its_key() -> None:
    told, storm = Told(), behind("north", 3)
    told.at(NOON_MS, *storm)
    told.silences = (Silence(kind="muted", until_ms=NOON_MS + HOUR_MS, key=storm[0].key),)
    assert told.minutes(NOON_MS + MINUTE_MS, NOON_MS + HOUR_MS) == []


def test_an_acknowledged_incident_has_no_reminders_but_an_end() -> None:
    told, one = Told(), event()
    told.at(NOON_MS, one)
    told.silences = (acknowledged(one, 5_000),)
    assert told.at(NOON_MS + DAY_MS, reminder(one)) == []
    assert told.at(NOON_MS + DAY_MS + MINUTE_MS, end(reminder(one), 1_500)) == [
        names(end(reminder(one), 1_500))
    ]


def test_reminders_come_again_when_an_acknowledgement_ends() -> None:
    told, one = Told(NOC), event()
    told.at(NOON_MS, one)
    told.silences = (acknowledged(one, 60),)
    assert told.at(NOON_MS + DAY_MS, reminder(one)) == [names(reminder(one))]


def test_mutes_of_the_file_count_too() -> None:
    told = Told(replace(NOC, silences=(muted(60),)))
    assert told.at(NOON_MS, event()) == []
