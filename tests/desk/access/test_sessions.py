"""Sessions end after a time, and are bounded for each person and in all."""

from __future__ import annotations

import pytest

from flowdiag.desk.access import sessions as module
from flowdiag.desk.access.sessions import IDLE_S, LONGEST_S, MOST_OF_ONE, Sessions
from flowdiag.desk.people import Person


def person(name: str) -> Person:
    return Person(name, frozenset({"helpdesk"}), ("*",))


class Clock:
    def __init__(self, patch: pytest.MonkeyPatch) -> None:
        self.now = 1000.0
        patch.setattr(module.time, "monotonic", lambda: self.now)


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch) -> Clock:
    return Clock(monkeypatch)


def test_a_session_ends_after_a_time_without_use(clock: Clock) -> None:
    sessions = Sessions()
    key = sessions.begin(person("mere")).key
    clock.now += IDLE_S - 1
    assert sessions.get(key) is not None
    clock.now += IDLE_S - 1
    assert sessions.get(key) is not None
    clock.now += IDLE_S + 1
    assert sessions.get(key) is None
    clock.now -= IDLE_S  # it is gone, whatever the clock says
    assert sessions.get(key) is None


def test_a_session_ends_after_a_working_day_however_much_it_is_used(clock: Clock) -> None:
    sessions = Sessions()
    key, begun = sessions.begin(person("mere")).key, clock.now
    while clock.now - begun <= LONGEST_S:
        assert sessions.get(key) is not None
        clock.now += 3600
    assert sessions.get(key) is None


def test_keys_have_256_random_bits_and_no_two_are_the_same() -> None:
    sessions = Sessions()
    made = [sessions.begin(person("mere")) for _ in range(MOST_OF_ONE)]
    texts = [text for one in made for text in (one.key, one.form_token)]
    assert len(set(texts)) == 2 * MOST_OF_ONE
    assert {len(text) for text in texts} == {43}  # of 6 bits each


def test_nobodys_sign_ins_end_the_sessions_of_others(clock: Clock) -> None:
    sessions = Sessions()
    hana = sessions.begin(person("hana")).key
    keys = []
    for _ in range(MOST_OF_ONE + 1):
        clock.now += 1
        keys.append(sessions.begin(person("mere")).key)
    assert sessions.get(keys[0]) is None
    assert all(sessions.get(key) is not None for key in (hana, *keys[1:]))


def test_of_very_many_sessions_those_unused_for_longest_go(
    clock: Clock, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(module, "MOST", 3)
    sessions = Sessions()
    keys = []
    for name in ("a", "b", "c"):
        clock.now += 1
        keys.append(sessions.begin(person(name)).key)
    clock.now += 1
    assert sessions.get(keys[0]) is not None
    keys.append(sessions.begin(person("d")).key)
    assert [sessions.get(key) is not None for key in keys] == [True, False, True, True]


def test_what_is_no_key_has_no_session() -> None:
    assert Sessions().get(None) is None
    assert Sessions().get("") is None
