"""Who looks after which parts: watchers with clocks that the test turns, on a ledger in memory."""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import time

import pytest

from flowdiag.errors import StoreError
from flowdiag.watch import living
from flowdiag.watch.holding import BEAT_S, DEAD_AFTER_S, SURE_S, Holding
from flowdiag.watch.part import PARTS, Letter, Part, decoded
from tests.watch.ledgers import Memory


class Clock:
    def __init__(self, now_s: float = 0.0) -> None:
        self.now_s = now_s

    def __call__(self) -> float:
        return self.now_s


def watcher(ledger: Memory, name: str, clock: Clock | None = None) -> Holding:
    return Holding(ledger, clock or Clock(), owner=name, dead=lambda owner: False)


def owners(ledger: Memory) -> list[str]:
    """Of all parts, sorted by the parts' names."""
    return [
        decoded(name, content).owner
        for name, (_, content) in sorted(ledger.documents.items())
        if name.startswith("part-")
    ]


def letter(name: str) -> Letter:
    return Letter(name, "a target", (), 0, 0)


def test_a_watcher_alone_has_every_part() -> None:
    ledger = Memory()
    held = watcher(ledger, "a").hold()
    assert sorted(held) == [f"part-{number:02d}" for number in range(PARTS)]
    assert owners(ledger) == ["a"] * PARTS
    assert {one.version for one in held.values()} == {1}


@pytest.mark.parametrize(("watchers", "shares"), [(2, [16, 16]), (3, [11, 11, 10]), (33, [1] * 32 + [0])])
def test_watchers_share_the_parts(watchers: int, shares: list[int]) -> None:
    ledger = Memory()
    all_of_them = [watcher(ledger, f"w{number:02d}") for number in range(watchers)]
    for _ in range(2):  # the first lets go in the second round
        for one in all_of_them:
            one.hold()
    for one in all_of_them:
        one.hold()
    assert sorted((len(one.held) for one in all_of_them), reverse=True) == shares
    assert sorted(owners(ledger)) == sorted(one.owner for one in all_of_them for _ in one.held)


def test_what_is_held_stays_where_it_is_while_nothing_changes() -> None:
    ledger, clock = Memory(), Clock()
    watchers = [watcher(ledger, name, clock) for name in "abc"]
    for _ in range(3):
        for one in watchers:
            one.hold()
    before = owners(ledger)
    ledger.reads = 0
    for _ in range(20):
        clock.now_s += BEAT_S
        for one in watchers:
            one.hold()
    assert owners(ledger) == before
    assert ledger.reads == 0


def test_a_part_is_replaced_by_its_owner() -> None:
    ledger = Memory()
    one = watcher(ledger, "a")
    one.hold()
    assert one.replace("part-03", Part(letters=(letter("x"),)))
    assert one.held["part-03"].version == 2
    part = decoded("part-03", ledger.documents["part-03"].content)
    assert (part.owner, part.letters[0].name) == ("a", "x")


def test_several_parts_are_replaced_each_by_itself() -> None:
    ledger = Memory()
    one = watcher(ledger, "a")
    one.hold()
    assert ledger.write("part-02", ledger.documents["part-02"].content, 1)  # by somebody else
    new = Part(letters=(letter("x"),))
    assert one.replace_each({f"part-{number:02d}": new for number in range(4)}) == {
        "part-00",
        "part-01",
        "part-03",
    }
    assert "part-02" not in one.held
    assert one.replace_each({}) == set()


def test_a_part_of_which_something_is_on_its_way_is_let_go_of_later() -> None:
    ledger = Memory()
    one, two = watcher(ledger, "a"), watcher(ledger, "b")
    one.hold()
    assert one.replace("part-31", Part(letters=(letter("x"),)))
    two.hold()
    assert len(one.hold(lambda part: bool(part.letters))) == PARTS // 2 + 1
    assert "part-31" in one.held
    assert len(two.hold()) == PARTS // 2 - 1
    assert len(one.hold()) == PARTS // 2
    assert "part-31" in two.hold()


def test_one_that_died_elsewhere_is_taken_over_after_forty_seconds_of_silence() -> None:
    """Their clocks differ by years."""
    ledger, clock = Memory(), Clock(1e9)
    watcher(ledger, "dead", Clock(5.0)).hold()
    one = watcher(ledger, "one", clock)
    assert one.hold() == {}
    assert one.in_doubt
    clock.now_s += DEAD_AFTER_S - 0.1
    assert one.hold() == {}
    clock.now_s += 0.1
    assert len(one.hold()) == PARTS
    assert not one.in_doubt
    assert "watcher-dead" not in ledger.documents


def test_one_that_gives_signs_of_life_keeps_what_it_has() -> None:
    ledger, clock = Memory(), Clock()
    one, two = watcher(ledger, "a", clock), watcher(ledger, "b", clock)
    one.hold()
    for _ in range(30):
        clock.now_s += BEAT_S
        two.hold()
        one.beat()  # as a thread does while the sites are looked at
    assert len(one.held) == PARTS
    assert owners(ledger) == ["a"] * PARTS
    assert not two.in_doubt
    assert two.held == {}


def test_one_that_was_stopped_cannot_write_what_was_taken_over_and_joins_again() -> None:
    ledger, clock = Memory(), Clock()
    stopped, other = watcher(ledger, "stopped", clock), watcher(ledger, "other", clock)
    stopped.hold()
    other.hold()
    clock.now_s += DEAD_AFTER_S
    assert not stopped.is_sure
    assert len(other.hold()) == PARTS
    assert other.replace("part-00", Part(letters=(letter("told"),)))
    before = dict(ledger.documents)
    assert not stopped.replace("part-00", Part())
    assert not stopped.replace("part-01", Part())
    assert ledger.documents == before
    assert "part-00" not in stopped.held
    assert stopped.hold() == {}
    other.hold()
    assert len(stopped.hold()) == PARTS / 2
    assert not set(stopped.held) & set(other.held)


def test_one_is_sure_of_what_it_holds_for_less_time_than_the_others_wait() -> None:
    ledger, clock = Memory(), Clock()
    one = watcher(ledger, "a", clock)
    assert not one.is_sure
    one.hold()
    clock.now_s += SURE_S - 0.1
    assert one.is_sure
    clock.now_s += 0.1
    assert not one.is_sure
    one.hold()
    for _ in range(10):
        clock.now_s += BEAT_S
        one.beat()
        assert one.is_sure
    assert SURE_S + BEAT_S <= DEAD_AFTER_S


def test_one_that_was_stopped_is_not_sure_before_it_has_looked_what_it_still_holds() -> None:
    """The thread that gives signs of life may go on first."""
    ledger, clock = Memory(), Clock()
    stopped, other = watcher(ledger, "stopped", clock), watcher(ledger, "other", clock)
    stopped.hold()
    other.hold()
    clock.now_s += DEAD_AFTER_S
    other.hold()
    stopped.beat()
    assert not stopped.is_sure
    assert stopped.hold() == {}
    assert stopped.is_sure


def test_a_sign_of_life_that_the_store_refuses_is_an_error_and_no_endless_loop() -> None:
    ledger = Memory()
    ledger.write = lambda name, content, version: False  # type: ignore[method-assign]
    with pytest.raises(StoreError, match="sign of life"):
        watcher(ledger, "a").beat()


def test_a_clean_end_leaves_everything_to_the_others_at_once() -> None:
    ledger = Memory()
    one, two = watcher(ledger, "a"), watcher(ledger, "b")
    one.hold()
    two.hold()
    one.release()
    assert owners(ledger) == [""] * PARTS
    assert len(two.hold()) == PARTS
    assert sorted(name for name in ledger.documents if name.startswith("watcher-")) == ["watcher-b"]


def test_no_sign_of_life_is_left_by_who_has_ended() -> None:
    """A thread gives them until the very end."""
    ledger = Memory()
    one = watcher(ledger, "a")
    one.hold()
    one.release()
    one.beat()
    assert "watcher-a" not in ledger.documents


def test_signs_of_life_of_the_dead_do_not_pile_up() -> None:
    ledger = Memory()
    for number in range(50):
        last = Holding(ledger, Clock(), owner=f"w{number}", dead=lambda owner, own=f"w{number}": owner != own)
        assert len(last.hold()) == PARTS  # known to be dead at once
    assert len(ledger.documents) == PARTS + 1


@pytest.mark.parametrize("late", [False, True])
def test_a_write_whose_end_is_not_known_is_found_out(late: bool) -> None:
    ledger = Memory()
    one = watcher(ledger, "a")
    one.hold()
    ledger.fault, ledger.late = StoreError("no answer"), late
    with pytest.raises(StoreError, match="no answer"):
        one.replace("part-05", Part(letters=(letter("x"),)))
    assert "part-05" not in one.held
    ledger.fault = None
    held = one.hold()
    assert held["part-05"].version == (2 if late else 1)
    assert [one.name for one in held["part-05"].part.letters] == (["x"] if late else [])


def test_nothing_is_left_to_nobody_where_a_write_failed_and_the_share_shrank() -> None:
    ledger = Memory()
    one, two = watcher(ledger, "a"), watcher(ledger, "b")
    one.hold()
    ledger.fault, ledger.late = StoreError("no answer"), True
    for name in ("part-20", "part-05"):
        with pytest.raises(StoreError):
            one.replace(name, Part())
    ledger.fault = None
    two.hold()
    one.hold()
    two.hold()
    assert len(one.held) == len(two.held) == PARTS / 2
    assert not set(one.held) & set(two.held)


@pytest.mark.parametrize("seed", range(40))
def test_whatever_happens_no_part_has_two_owners_and_each_has_one_in_the_end(seed: int) -> None:
    """Watchers that come, stop, go on, die and lose answers; each write of a part is counted in it."""
    chance = random.Random(seed)
    ledger, clock = Memory(), Clock()
    watchers: list[Holding] = []
    written = 0
    for step in range(300):
        clock.now_s += chance.choice((0.1, 1, 5, 45))
        deed = chance.random()
        if deed < 0.05 or not watchers:
            watchers.append(watcher(ledger, f"w{step}", clock))
            continue
        one = chance.choice(watchers)
        ledger.fault = StoreError("no answer") if chance.random() < 0.1 else None
        ledger.late = True
        try:
            if deed < 0.5:
                one.hold()
            elif deed < 0.9 and one.held:
                name, held = chance.choice(sorted(one.held.items()))
                before = ledger.documents[name].version
                grown = Part(letters=(*held.part.letters, letter(f"{step}")))
                if one.replace(name, grown):
                    assert ledger.documents[name].version == before + 1
                    written += 1
            elif deed < 0.95:
                one.release()
            else:
                watchers.remove(one)  # kill -9
        except StoreError:
            written += deed >= 0.5 and deed < 0.9
    ledger.fault = None
    for _ in range(4):
        clock.now_s += DEAD_AFTER_S / 2 - 1
        for one in watchers:
            one.hold()
    for _ in range(2):
        for one in watchers:
            one.hold()
    held = [name for one in watchers for name in one.held]
    assert sorted(held) == sorted(name for name in ledger.documents if name.startswith("part-"))
    assert len(held) == PARTS
    letters = [one for w in watchers for part in w.held.values() for one in part.part.letters]
    assert len(letters) == written
    assert len(ledger.documents) == PARTS + len(watchers)


def started() -> tuple[subprocess.Popen[str], str]:
    """A process that waits, and its name as a watcher."""
    code = "from flowdiag.watch.living import own_name; print(own_name(), flush=True); input()"
    process = subprocess.Popen([sys.executable, "-c", code], stdin=-1, stdout=-1, text=True)
    assert process.stdout is not None
    return process, process.stdout.readline().strip()


def test_a_process_of_this_host_is_known_to_be_dead_at_once_and_a_stopped_one_is_not() -> None:
    process, name = started()
    assert not living.is_dead(name)
    process.send_signal(signal.SIGSTOP)
    time.sleep(0.05)
    assert not living.is_dead(name)
    process.kill()
    os.waitid(os.P_PID, process.pid, os.WEXITED | os.WNOWAIT)  # it is there until its parent asks
    assert living.is_dead(name)
    process.communicate()
    assert living.is_dead(name)


def test_the_number_of_a_dead_process_may_be_another_ones_now() -> None:
    host, place, number, began, rest = living.own_name().split("-")
    assert not living.is_dead("-".join((host, place, number, began, rest)))
    assert living.is_dead("-".join((host, place, number, str(int(began) - 1), rest)))


def test_of_a_process_elsewhere_nothing_is_known() -> None:
    host, _, _, _, rest = living.own_name().split("-")
    assert not living.is_dead(f"{host}-0123456789ab-999999999-1-{rest}")
    assert not living.is_dead(f"{host}-0-999999999-1-{rest}")
    assert not living.is_dead("anything")


def test_without_proc_only_silence_tells(monkeypatch: pytest.MonkeyPatch, tmp_path: os.PathLike[str]) -> None:
    monkeypatch.setattr(living, "_PROC", tmp_path)
    name = living.own_name()
    assert name.split("-")[1] == "0"
    assert not living.is_dead(name.replace(str(os.getpid()), "999999999"))
    assert name != living.own_name()
