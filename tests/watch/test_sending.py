"""Letters that are due: sent once, tried again, given up and put aside, to receivers of all kinds, with time as a number."""

from __future__ import annotations

import json
import threading
import time
from pathlib import Path
from typing import Any

import pytest
from msgspec.structs import replace

from flowdiag.collector.store.folder import Folder
from flowdiag.durations import DAY_MS, HOUR_MS, MINUTE_MS
from flowdiag.errors import FlowdiagError, StoreError
from flowdiag.watch import sending
from flowdiag.watch.failed import FAILED, list_failed
from flowdiag.watch.message import Message, NotTaken
from flowdiag.watch.notify import Command, Notify, Target
from flowdiag.watch.part import Part
from flowdiag.watch.sending import Sender, due_letters, not_taking, settled, wait_ms
from flowdiag.watch.telling import MOST_TRIES, letters_for
from flowdiag.watch.trying import try_targets
from tests.watch.invented import NOON_MS, end, event
from tests.watch.receivers import OK, Answer, receiving, status
from tests.watch.rounds import NOC, Receiver, down, hook, watching


def test_what_was_taken_is_gone_and_is_not_sent_again(tmp_path: Path) -> None:
    receiver = Receiver()
    with watching(tmp_path, receiver) as watch:
        watch.round(NOON_MS, one := event())
        assert watch.letters == []
        watch.round(NOON_MS + MINUTE_MS)
    assert receiver.told == [one.name]


def test_a_receiver_that_fails_and_then_is_well_gets_it_once(tmp_path: Path) -> None:
    with (
        receiving(status(503), status(500), OK) as receiver,
        watching(tmp_path, notify=hook(receiver.url)) as watch,
    ):
        watch.round(NOON_MS, event())
        for minute in range(1, 10):
            watch.round(NOON_MS + minute * MINUTE_MS)
        assert watch.letters == []
    assert len(receiver.requests) == 3
    assert len({request.headers["Flowdiag-Message"] for request in receiver.requests}) == 1
    assert len({request.body for request in receiver.requests}) == 1


def test_waits_grow_from_half_a_minute_to_an_hour_and_differ() -> None:
    waits = [wait_ms("abcdefghabcdefgh", tries) for tries in range(MOST_TRIES)]
    for tries, waited in enumerate(waits):
        least = min(30_000 * 2**tries, 3_000_000)
        assert least <= waited <= least * 1.2
    assert 20 * HOUR_MS < sum(waits) < 30 * HOUR_MS  # about a day
    assert wait_ms("abcdefghabcdefgh", 3) == wait_ms("abcdefghabcdefgh", 3)
    assert len({wait_ms(f"name-{number}", 3) for number in range(100)}) > 90


def test_a_receiver_may_ask_for_more_time_but_not_for_ever(tmp_path: Path) -> None:
    for asked_s, waited_ms in ((900.0, 900_000), (1e12, 6 * HOUR_MS), (1.0, wait_ms(letter_name(), 0))):
        receiver = Receiver(lambda _, s=asked_s: NotTaken("busy", after_s=s))  # type: ignore[misc]
        with watching(tmp_path, receiver) as watch:
            watch.round(NOON_MS, event())
            (letter,) = watch.letters
        assert letter.due_ms - NOON_MS == pytest.approx(waited_ms, abs=1_000)


def letter_name() -> str:
    return letters_for(NOC, Part(), [event()], (), NOON_MS)[0].name


def test_what_nobody_takes_for_a_day_is_put_aside_whole(tmp_path: Path) -> None:
    receiver = Receiver(down)
    with watching(tmp_path, receiver) as watch:
        watch.round(NOON_MS, one := event(note="A note."))
        now_ms = NOON_MS
        while watch.letters:
            now_ms += MINUTE_MS
            watch.round(now_ms)
        assert 20 * HOUR_MS < now_ms - NOON_MS < 30 * HOUR_MS
        (aside,) = list_failed(watch.backend)
    assert len(receiver.asked) == MOST_TRIES
    assert (aside.target, aside.fault, aside.tries) == ("noc", "down", MOST_TRIES)
    assert aside.events == (one,)
    assert aside.message is not None
    assert aside.message["note"] == "A note."
    assert (
        json.loads((tmp_path / FAILED / f"{aside.name}.json").read_bytes())["schema"] == "flowdiag.failed/1"
    )


def test_what_is_refused_for_good_is_put_aside_at_once_and_others_go_on(tmp_path: Path) -> None:
    wrong = event("kowhai/wrong")
    receiver = Receiver(
        lambda message: NotTaken("HTTP 400", permanent=True) if message.events == (wrong,) else None
    )
    with watching(tmp_path, receiver) as watch:
        watch.round(NOON_MS, wrong, right := event())
        assert watch.letters == []
        assert [aside.events for aside in list_failed(watch.backend)] == [(wrong,)]
    assert receiver.told == [right.name]


def test_an_end_waits_for_its_begin(tmp_path: Path) -> None:
    """The receiver has trouble with the begin; the end, made later and never tried, must not go first."""
    one, trouble = event(), [True]
    receiver = Receiver(lambda _: NotTaken("HTTP 500") if trouble[0] else None)
    with watching(tmp_path, receiver) as watch:
        watch.round(NOON_MS, one)
        watch.round(NOON_MS + 1_000, end(one))
        assert len(watch.letters) == 2
        assert len(receiver.asked) == 1  # the end was not tried
        trouble[0] = False
        watch.round(NOON_MS + 1_500)
        assert receiver.told == []
        watch.round(NOON_MS + MINUTE_MS)
    assert receiver.told == [one.name, end(one).name]


def test_an_end_waits_for_its_begin_before_it_is_noted_that_nobody_took_that(tmp_path: Path) -> None:
    faults = [NotTaken("busy")]
    receiver = Receiver(lambda _: faults.pop() if faults else None)
    with watching(tmp_path, receiver) as watch:
        watch.round(NOON_MS, one := event())
        (letter,) = watch.letters
        unnoted = replace(letter, due_ms=NOON_MS, tries=0, fault=None)
        watch.parts = [replace(watch.parts[0], letters=(unnoted,))]
        watch.round(NOON_MS + 1_000, two := end(one))
        assert receiver.told == []
        watch.round(NOON_MS + 2 * MINUTE_MS)
        watch.round(NOON_MS + 2 * MINUTE_MS)
    assert receiver.told == [one.name, two.name]


def test_a_receiver_that_is_down_is_asked_once_a_round_and_holds_up_nobody(tmp_path: Path) -> None:
    both = Notify(targets=(Target(name="down"), Target(name="well")))
    asked: dict[str, int] = {"down": 0, "well": 0}

    def receiver(target: Target, message: Message, now_ms: int) -> None:
        asked[target.name] += 1
        if target.name == "down":
            time.sleep(0.2)
            raise NotTaken("down", everyone=True)

    began = time.monotonic()
    with watching(tmp_path, receiver, both) as watch:
        watch.round(NOON_MS, *(event(f"kowhai/site-{n}") for n in range(1_000)))
        assert len(watch.letters) == 1_000
    assert asked == {"down": 1, "well": 1_000}
    assert time.monotonic() - began < 10


def test_a_message_that_breaks_its_receiver_does_not_keep_the_others_from_it(tmp_path: Path) -> None:
    poison = event("kowhai/poison")
    receiver = Receiver(
        lambda message: NotTaken("cut", everyone=True) if message.events == (poison,) else None
    )
    with watching(tmp_path, receiver) as watch:
        sites = [event(f"kowhai/site-{n}") for n in range(50)]
        watch.round(NOON_MS, poison, *sites)
        assert receiver.told == []
        for minute in range(1, 180):
            watch.round(NOON_MS + minute * MINUTE_MS)
        assert len(watch.letters) == 1
        assert list_failed(watch.backend) == []
    assert sorted(receiver.told) == sorted(one.name for one in sites)


def test_a_slow_receiver_does_not_hold_up_the_watch_and_nothing_is_sent_twice(tmp_path: Path) -> None:
    release = threading.Event()
    receiver = Receiver(lambda _: release.wait(20) and None)  # type: ignore[func-returns-value,return-value]
    with watching(tmp_path, receiver) as watch:
        began = time.monotonic()
        watch.round(NOON_MS, one := event(), other := event("kowhai/corner"), wait_s=0.2)
        watch.round(NOON_MS + MINUTE_MS, wait_s=0.2)
        assert time.monotonic() - began < 2
        assert len(watch.letters) == 2
        release.set()
        for minute in range(2, 5):
            watch.round(NOON_MS + minute * MINUTE_MS)
        assert watch.letters == []
    assert receiver.told == [one.name, other.name]


def test_at_the_end_what_is_on_its_way_is_waited_for_and_nothing_more_begun(tmp_path: Path) -> None:
    receiver = Receiver(lambda _: time.sleep(0.5))  # type: ignore[func-returns-value,return-value]
    with watching(tmp_path, receiver) as watch:
        watch.round(NOON_MS, one := event(), event("kowhai/corner"), wait_s=0.1)
        outcomes = watch.sender.close()
        (part,) = watch.parts
        assert [outcome.kind for outcome in outcomes.values()] == ["sent"]
        assert len(settled(part, outcomes).letters) == 1
    assert receiver.told == [one.name]


def test_a_storm_of_three_hundred_sites_is_one_message_at_each_target(tmp_path: Path) -> None:
    both = Notify(targets=(Target(name="noc"), Target(name="desk")))
    sites = [event(f"kowhai/site-{n}", upstream="north") for n in range(300)]
    receiver = Receiver()
    with watching(tmp_path, receiver, both) as watch:
        watch.round(NOON_MS, *sites[:200])
        watch.round(NOON_MS + MINUTE_MS, *sites[200:])
        watch.round(NOON_MS + 4 * MINUTE_MS)
        watch.round(NOON_MS + 5 * MINUTE_MS)
    assert sorted(name for name, _ in receiver.asked) == ["desk", "noc"]
    assert [len(message.events) for message in receiver.taken] == [300, 300]
    assert len({message.name for message in receiver.taken}) == 2


def test_quiet_hours_of_all_parts_end_with_one_message(tmp_path: Path) -> None:
    from flowdiag.site.hours import parse_hours
    from flowdiag.watch.notify import Quiet

    quiet = Notify(targets=(Target(name="noc", quiet=Quiet(parse_hours("11:00-13:00"), "UTC")),))
    receiver, trouble = Receiver(lambda _: NotTaken("HTTP 500") if trouble[0] else None), [True]
    with watching(tmp_path, receiver, quiet, parts=3) as watch:
        for part in range(3):
            watch.round(NOON_MS + part * MINUTE_MS, event(f"kowhai/site-{part}"), part=part)
        assert receiver.asked == []
        watch.round(NOON_MS + HOUR_MS)
        trouble[0] = False
        watch.round(NOON_MS + HOUR_MS + MINUTE_MS)
        assert watch.letters == []
    assert [len(message.events) for _, message in receiver.asked] == [3, 3]  # together when tried again, too
    assert len({message.name for _, message in receiver.asked}) == 1
    assert receiver.taken[0].quiet


def test_letters_for_a_target_that_the_file_has_no_more_are_put_aside(tmp_path: Path) -> None:
    receiver = Receiver()
    with watching(tmp_path, receiver) as watch:
        (letter,) = letters_for(NOC, Part(), [event()], (), NOON_MS)
        watch.parts = [Part(events=(event(),), letters=(replace(letter, target="gone"),))]
        watch.round(NOON_MS + 23 * HOUR_MS)  # another watch, with another file, may know it
        assert len(watch.letters) == 1
        watch.round(NOON_MS + 24 * HOUR_MS)
        (aside,) = list_failed(watch.backend)
    assert aside.fault == "the notify file has no target of this name"
    assert receiver.asked == []


def test_a_letter_whose_events_are_gone_is_put_aside(tmp_path: Path) -> None:
    with watching(tmp_path, Receiver()) as watch:
        watch.parts = [Part(letters=letters_for(NOC, Part(), [event()], (), NOON_MS))]
        watch.round(NOON_MS)
        assert watch.letters == []
        (aside,) = list_failed(watch.backend)
    assert aside.events == ()
    assert "what it was to tell is not kept any more" in aside.line


def test_whatever_a_target_raises_is_tried_again(tmp_path: Path) -> None:
    def receiver(target: Target, message: Message, now_ms: int) -> None:
        raise RuntimeError("hush")

    with watching(tmp_path, receiver) as watch:
        watch.round(NOON_MS, event())
        (letter,) = watch.letters
    assert (letter.tries, letter.fault) == (1, "RuntimeError")


def test_where_what_is_put_aside_cannot_be_written_the_letter_stays(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: Any) -> None:
        raise StoreError("no space left")

    receiver = Receiver(lambda _: NotTaken("HTTP 400", permanent=True))
    with watching(tmp_path, receiver) as watch:
        monkeypatch.setattr(watch.backend, "write", full)
        watch.round(NOON_MS, event())
        assert len(watch.letters) == 1
        monkeypatch.undo()
        watch.round(NOON_MS + 2 * MINUTE_MS)
        assert watch.letters == []
        assert len(list_failed(watch.backend)) == 1


def test_a_watch_that_was_killed_before_it_noted_sends_the_same_once_more(tmp_path: Path) -> None:
    receiver = Receiver()
    for _ in range(2):
        with watching(tmp_path, receiver) as watch:
            watch.round(NOON_MS, event())
    first, second = receiver.taken
    assert first == second
    assert first.name == second.name


def test_what_could_not_be_noted_is_told_again_and_not_sent_again(tmp_path: Path) -> None:
    """The ledger could not be written: the part is as it was."""
    one, trouble = event(), [True]
    receiver = Receiver(lambda _: NotTaken("HTTP 500") if trouble[0] else None)
    with watching(tmp_path, receiver) as watch:
        letters = letters_for(NOC, Part(), [one], (), NOON_MS)
        before = Part(events=(one,), letters=letters)
        for _ in range(3):
            outcomes = watch.sender.send([before], NOON_MS + HOUR_MS, 10.0)
        assert len(receiver.asked) == 1
        trouble[0] = False
        tried = settled(before, outcomes)
        for _ in range(3):
            outcomes = watch.sender.send([tried], NOON_MS + 2 * HOUR_MS, 10.0)
            assert watch.sender.send([], NOON_MS + 2 * HOUR_MS) == outcomes  # the part is not held meanwhile
        assert len(receiver.taken) == 1
        assert settled(tried, outcomes).letters == ()


def test_what_is_printed_is_not_sent(tmp_path: Path) -> None:
    from flowdiag.watch.printing import to_print

    receiver = Receiver()
    with watching(tmp_path, receiver) as watch:
        watch.parts = [Part(events=(event(),), letters=to_print([event()]))]
        watch.round(NOON_MS + 2 * DAY_MS)
        assert len(watch.letters) == 1
    assert receiver.asked == []


def test_a_clock_that_is_put_back_sends_nothing_twice_and_loses_nothing(tmp_path: Path) -> None:
    trouble = [True]
    receiver = Receiver(lambda _: NotTaken("HTTP 500") if trouble[0] else None)
    with watching(tmp_path, receiver) as watch:
        watch.round(NOON_MS, one := event())
        trouble[0] = False
        for minute in range(0, 7 * 60, 10):
            watch.round(NOON_MS - 30 * DAY_MS + minute * MINUTE_MS)
    assert receiver.told == [one.name]


def test_thousands_of_letters_are_sent_over_several_rounds_in_order(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sending, "ROUND_S", 0.5)
    receiver = Receiver(lambda _: time.sleep(0.0005))  # type: ignore[func-returns-value,return-value]
    sites = [event(f"kowhai/site-{n}") for n in range(3_000)]
    with watching(tmp_path, receiver) as watch:
        watch.round(NOON_MS, *sites, wait_s=0.3)
        assert 0 < len(watch.letters) < 3_000
        minute = 0
        while watch.letters:
            minute += 1
            watch.round(NOON_MS + minute * MINUTE_MS, wait_s=0.5)
    assert receiver.told == [one.name for one in sites]


def test_a_real_receiver_gets_hundreds_of_letters(tmp_path: Path) -> None:
    with receiving() as receiver, watching(tmp_path, notify=hook(receiver.url)) as watch:
        watch.round(NOON_MS, *(event(f"kowhai/site-{n}") for n in range(300)))
        while watch.letters:
            watch.round(NOON_MS + MINUTE_MS)
    assert len({request.headers["Flowdiag-Message"] for request in receiver.requests}) == 300


def test_a_letter_that_cannot_even_be_put_aside_does_not_end_the_watch(tmp_path: Path) -> None:
    """Of a zone that is not known here."""
    with watching(tmp_path, one_who_reads) as watch:
        watch.round(NOON_MS, event(timezone="Nowhere/Else"), event("kowhai/corner"))
        assert [letter.fault for letter in watch.letters] == ["ZoneInfoNotFoundError"]
        watch.parts[0] = replace(
            watch.parts[0], letters=tuple(replace(one, tries=MOST_TRIES) for one in watch.letters)
        )
        watch.round(NOON_MS + HOUR_MS)
        assert len(watch.letters) == 1


def one_who_reads(target: Target, message: Message, now_ms: int) -> None:
    json.loads(message.body)


@pytest.mark.parametrize("answer", [status(400, b"\x1b[31mno"), status(404), status(302, Location="/")])
def test_no_secret_and_no_address_is_put_aside(tmp_path: Path, answer: Answer) -> None:
    with receiving(answer) as receiver, watching(tmp_path, notify=hook(receiver.url)) as watch:
        watch.round(NOON_MS, event())
        for letter in watch.letters:
            assert "hush" not in str(letter)
        for file in (tmp_path / FAILED).glob("*"):
            assert b"hush" not in file.read_bytes()
        for aside in list_failed(watch.backend):
            assert aside.line.isprintable()


# Trying targets, and what is missing.


def test_each_target_can_be_tried(tmp_path: Path) -> None:
    with receiving() as receiver:
        notify = Notify(
            targets=(
                *hook(receiver.url, severity="critical", sites=("none/*",)).targets,
                Command(name="lamp", argv=("/nowhere/lamp",)),
            )
        )
        said = try_targets(notify, NOON_MS)
    assert said == {"tickets": None, "lamp": "cannot be started: No such file or directory"}
    (request,) = receiver.requests
    told = json.loads(request.body)
    assert (told["code"], told["severity"]) == ("test", "info")


def test_a_missing_package_is_one_line_that_says_how_to_get_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sending, "find_spec", lambda _: None)
    with pytest.raises(FlowdiagError, match=r"flowdiag\[watch\]"):
        Sender(hook("https://tickets.example.net"), Folder(tmp_path))
    Sender(NOC, Folder(tmp_path)).close()


def test_it_is_known_which_targets_do_not_take_what_waits(tmp_path: Path) -> None:
    trouble = [True]
    receiver = Receiver(lambda _: NotTaken("HTTP 503", everyone=True) if trouble[0] else None)
    with watching(tmp_path, receiver) as watch:
        watch.round(NOON_MS, event(), event("kowhai/corner"))
        assert set(not_taking(watch.parts)) == {"noc"}
        assert "HTTP 503" in not_taking(watch.parts)["noc"]
        trouble[0] = False
        watch.round(NOON_MS + MINUTE_MS)
        assert not_taking(watch.parts) == {}


def test_due_letters_keep_the_order_of_an_incident() -> None:
    one = event()
    begin, over = (letters_for(NOC, Part(), [told], (), NOON_MS)[0] for told in (one, end(one)))
    other = letters_for(NOC, Part(), [event("kowhai/corner")], (), NOON_MS)[0]
    late = replace(begin, due_ms=NOON_MS + HOUR_MS)
    assert list(due_letters(Part(letters=(begin, over, other)), NOON_MS)) == [begin, over, other]
    assert list(due_letters(Part(letters=(late, over, other)), NOON_MS)) == [other]
    elsewhere = replace(over, target="desk")
    assert list(due_letters(Part(letters=(late, elsewhere)), NOON_MS)) == [elsewhere]
