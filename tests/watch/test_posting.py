"""A watcher's post: what is due of the parts that it holds is sent once and noted, whoever dies and whatever fails meanwhile."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path

import pytest
from msgspec.structs import replace

from flowdiag.durations import MINUTE_MS
from flowdiag.errors import StoreError
from flowdiag.watch.event import Event
from flowdiag.watch.holding import SURE_S, Holding
from flowdiag.watch.notify import Notify, Webhook
from flowdiag.watch.part import part_of
from flowdiag.watch.posting import PostOffice
from flowdiag.watch.telling import letters_for
from tests.watch.invented import NOON_MS, end, event
from tests.watch.ledgers import Memory
from tests.watch.receivers import OK, Receiver, receiving, status


class Clock:
    now_s = 0.0

    def __call__(self) -> float:
        return self.now_s


def watcher(ledger: Memory, name: str = "a", clock: Clock | None = None) -> Holding:
    holding = Holding(ledger, clock or Clock(), owner=name, dead=lambda _: name != "a")
    holding.hold()
    return holding


def to(receiver: Receiver) -> Notify:
    return Notify(targets=(Webhook(name="tickets", url=receiver.url, timeout_s=3.0),))


def found(holding: Holding, notify: Notify, one: Event) -> None:
    """What a round does with an event."""
    name = part_of(one.place, one.upstream)
    part = holding.held[name].part
    letters = letters_for(notify, part, [one], (), NOON_MS)
    assert holding.replace(name, replace(part, events=(*part.events, one), letters=letters))
    holding.hold()


def waiting(ledger: Memory) -> int:
    """Letters in the ledger, as who comes next finds them."""
    return sum(len(part.letters) for part, _ in watcher(ledger, "b").hold().values())


def nowhere(_: Sequence[Event]) -> None:
    pass


def told(receiver: Receiver) -> list[str]:
    return [json.loads(request.body)["state"] for request in receiver.requests]


def test_what_is_due_is_sent_and_noted(tmp_path: Path) -> None:
    with receiving() as receiver:
        ledger, notify = Memory(), to(receiver)
        holding = watcher(ledger)
        with PostOffice(str(tmp_path), holding, notify, nowhere) as post:
            found(holding, notify, event())
            post.work(NOON_MS, 10.0)
            found(holding, notify, end(event()))
            post.work(NOON_MS, 10.0)
            post.work(NOON_MS, 10.0)
        assert told(receiver) == ["began", "ended"]
        assert waiting(ledger) == 0


def test_what_is_on_its_way_at_the_end_is_noted(tmp_path: Path) -> None:
    with receiving() as receiver:
        ledger, notify = Memory(), to(receiver)
        holding = watcher(ledger)
        with PostOffice(str(tmp_path), holding, notify, nowhere) as post:
            found(holding, notify, event())
            post.work(NOON_MS)
        sent = len(receiver.requests)
        assert waiting(ledger) == 1 - sent


def test_a_part_is_not_given_away_before_what_is_on_its_way_is_noted(tmp_path: Path) -> None:
    """Who takes it would send that again."""
    with receiving() as receiver:
        ledger, notify, one = Memory(), to(receiver), event()
        holding = watcher(ledger)
        name = part_of(one.place, one.upstream)
        with PostOffice(str(tmp_path), holding, notify, nowhere) as post:
            found(holding, notify, one)
            assert not post.is_at(holding.held[name].part)
            post.work(NOON_MS)
            part = holding.held[name].part
            assert post.is_at(part) == bool(part.letters)
            post.work(NOON_MS, 10.0)
            assert not post.is_at(holding.held[name].part)
            found(holding, notify, end(one))
            part = holding.held[name].part
            ledger.fault = StoreError("no space left")
            with pytest.raises(StoreError):
                post.work(NOON_MS, 10.0)
            ledger.fault = None
            assert post.is_at(part)


def test_a_ledger_that_cannot_be_written_lets_nothing_be_sent_twice(tmp_path: Path) -> None:
    with receiving() as receiver:
        ledger, notify = Memory(), to(receiver)
        holding = watcher(ledger)
        with PostOffice(str(tmp_path), holding, notify, nowhere) as post:
            found(holding, notify, event())
            for late in (False, True):
                ledger.fault, ledger.late = StoreError("no space left"), late
                with pytest.raises(StoreError):
                    post.work(NOON_MS, 10.0)
                ledger.fault = None
                holding.hold()
            post.work(NOON_MS, 10.0)
        assert told(receiver) == ["began"]
        assert waiting(ledger) == 0


def test_who_is_not_sure_to_hold_parts_sends_nothing(tmp_path: Path) -> None:
    with receiving() as receiver:
        ledger, notify, clock = Memory(), to(receiver), Clock()
        holding = watcher(ledger, clock=clock)
        with PostOffice(str(tmp_path), holding, notify, nowhere) as post:
            found(holding, notify, event())
            clock.now_s = SURE_S + 1
            post.work(NOON_MS, 10.0)
            assert receiver.requests == []
            holding.hold()
            post.work(NOON_MS, 10.0)
        assert told(receiver) == ["began"]


def test_who_takes_over_sends_what_was_left_and_an_unnoted_one_by_the_same_name(tmp_path: Path) -> None:
    with receiving(OK, status(500), OK) as receiver:
        ledger, notify = Memory(), to(receiver)
        first = watcher(ledger)
        found(first, notify, event())
        killed = PostOffice(str(tmp_path), first, notify, nowhere)
        ledger.fault = StoreError("killed before it noted that")
        with pytest.raises(StoreError):
            killed.work(NOON_MS, 10.0)
        ledger.fault = None
        second = watcher(ledger, "b")
        with PostOffice(str(tmp_path), second, notify, nowhere) as post:
            post.work(NOON_MS, 10.0)
            post.work(NOON_MS + 2 * MINUTE_MS, 10.0)
        assert waiting(ledger) == 0
        assert len({request.headers["Flowdiag-Message"] for request in receiver.requests}) == 1
        assert len({request.body for request in receiver.requests}) == 1


def test_a_watch_that_looks_once_sends_all_that_is_due(tmp_path: Path) -> None:
    with receiving(*[OK] * 5, status(503), OK) as receiver:
        ledger, notify = Memory(), to(receiver)
        holding = watcher(ledger)
        with PostOffice(str(tmp_path), holding, notify, nowhere) as post:
            for number in range(20):
                found(holding, notify, event(f"kowhai/site-{number}"))
            post.finish(NOON_MS, 20.0)
        # The sixth is refused, and the target asked no more in this round; all others wait for their next time.
        assert len(receiver.requests) == 6
        assert waiting(ledger) == 15
        holding = watcher(ledger, "c")
        with PostOffice(str(tmp_path), holding, notify, nowhere) as post:
            post.finish(NOON_MS + 2 * MINUTE_MS, 20.0)
        assert waiting(ledger) == 0
        assert len({request.headers["Flowdiag-Message"] for request in receiver.requests}) == 20


def test_another_file_is_followed_after_what_is_on_its_way(tmp_path: Path) -> None:
    one, other = event(), event("rata/mill")
    with receiving() as first, receiving() as second:
        ledger = Memory()
        holding = watcher(ledger)
        with PostOffice(str(tmp_path), holding, to(first), nowhere) as post:
            found(holding, to(first), one)
            post.work(NOON_MS)
            post.renew(to(second))
            found(holding, to(second), other)
            post.work(NOON_MS, 10.0)
            post.work(NOON_MS, 10.0)
        # What was begun before was sent once, by whichever file; nothing was sent by both.
        places = [
            [json.loads(request.body)["place"] for request in each.requests] for each in (first, second)
        ]
        assert sorted(places[0] + places[1]) == sorted([one.place, other.place])
        assert other.place in places[1]
        assert waiting(ledger) == 0


def test_a_file_without_targets_ends_what_is_sent_and_one_with_some_begins_it(tmp_path: Path) -> None:
    with receiving() as receiver:
        ledger = Memory()
        holding = watcher(ledger)
        with PostOffice(str(tmp_path), holding, to(receiver), nowhere) as post:
            found(holding, to(receiver), event())
            post.work(NOON_MS, 10.0)
            post.renew(Notify())
            found(holding, Notify(), end(event()))
            post.work(NOON_MS, 10.0)
            assert told(receiver) == ["began"]
            post.renew(to(receiver))
            found(holding, to(receiver), event("rata/mill"))
            post.work(NOON_MS, 10.0)
        assert told(receiver) == ["began", "began"]
        assert waiting(ledger) == 0
