"""Copies are known among the last messages of all sessions, whether they came by themselves or in a run."""

from __future__ import annotations

import pytest

from flowdiag.collector.decode.recent import Recent
from flowdiag.collector.run import Run
from tests.collector.decode.wire import session


def run(octets: bytes) -> Run:
    """Messages of two octets each."""
    return Run(session(), octets, 0, 2, len(octets) // 2, 0)


def known(recent: Recent, octets: bytes) -> list[bool]:
    """Whether each message of two octets is held, of the first session."""
    return [recent.holds(session(), octets[at : at + 2]) for at in range(0, len(octets), 2)]


def test_a_message_is_known_in_its_session_among_so_many() -> None:
    recent = Recent(3)
    for payload in (b"aa", b"bb", b"cc", b"dd"):
        recent.add(session(), payload)
    assert known(recent, b"aabbccdd") == [False, True, True, True]
    assert not recent.holds(session(2), b"bb")
    recent.add(session(2), b"bb")
    assert recent.holds(session(2), b"bb")
    assert known(recent, b"bbcc") == [False, True]


@pytest.mark.parametrize(
    ("octets", "items"),
    [
        (b"1122", 4),  # beside the two of the run the three that came last are five
        (b"112233", 3),
        (b"11223344", 2),
        (b"1122334455", 1),
        (b"112233445566", 1),
    ],
)
def test_of_what_came_before_a_run_only_the_last_is_kept(octets: bytes, items: int) -> None:
    recent = Recent(5)
    for payload in (b"aa", b"bb", b"cc", b"dd"):
        recent.add(session(), payload)
    recent.add_run(run(octets))
    assert (len(recent.payloads), len(recent.sessions)) == (items, items)
    last = (b"aabbccdd" + octets)[-10:]
    assert known(recent, b"aabbccdd" + octets) == [False] * (4 + len(octets) // 2 - 5) + [True] * 5
    assert b"".join(payload for payload in recent.payloads if isinstance(payload, bytes)) == last


def test_a_run_that_was_taken_apart_is_of_its_session() -> None:
    recent = Recent(4)
    recent.add(session(2), b"aa")
    recent.add_run(run(b"1122"))
    assert recent.holds(session(2), b"aa")
    assert not recent.holds(session(2), b"11")
    assert known(recent, b"aa1122") == [False, True, True]
    recent.add_run(run(b"3344"))
    assert known(recent, b"11223344") == [True] * 4
    assert not recent.holds(session(2), b"aa")
