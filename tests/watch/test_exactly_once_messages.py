"""Every change is told to a receiver once, or more than once by the same name, whenever a watch is killed: the command itself."""

from __future__ import annotations

import json
import random
import signal
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from msgspec import Struct

from flowdiag.durations import HOUR_MS, MINUTE_MS
from flowdiag.watch.part import Letter
from tests.watch.killable import CYCLE_MS, START, Stable, parts, stable, truth
from tests.watch.receivers import OK, Answer, Receiver, Request, receiving, status
from tests.watch.test_exactly_once import SITES, Scene, make_scene, name


@pytest.fixture(scope="module")
def watches() -> Iterator[Stable]:
    with stable() as opened:
        yield opened


class Told(Struct):
    """A scene with a receiver; words: of the command, that name it."""

    scene: Scene
    receiver: Receiver
    words: tuple[str, ...]

    def start(self, now_ms: int, **more: Any) -> int:
        return self.scene.watches.start(self.scene.run(now_ms, "--once", *self.words, **more))

    def once(self, now_ms: int) -> None:
        assert self.scene.watches.wait(self.start(now_ms)) in (0, 3)

    def finish(self, now_ms: int) -> None:
        """Rounds until everything is over and was taken."""
        until_ms = max(now_ms, START + self.scene.cycles * CYCLE_MS) + 30 * MINUTE_MS
        while now_ms < until_ms or self.waiting:
            now_ms += 20 * MINUTE_MS
            self.once(now_ms)
            assert now_ms < until_ms + 12 * HOUR_MS, self.waiting

    @property
    def waiting(self) -> list[Letter]:
        return [letter for part in parts(self.scene.store).values() for letter in part.letters]

    def check(self) -> int:
        """Each change was told, each by one message, first in the order in which it came; gives how many came again."""
        taken = [request for request in self.receiver.requests if request.taken]
        by_event: dict[str, set[str]] = {}
        order: dict[str, list[int]] = {}
        for request in taken:
            message = json.loads(request.body)
            for one in message.get("sites", [message]):
                by_event.setdefault(name(one), set()).add(request.headers["Flowdiag-Message"])
                order.setdefault(one["key"], []).append(one["number"])
        assert set(by_event) == truth(self.scene.places, self.scene.cycles)
        assert {len(names) for names in by_event.values()} == {1}
        assert all(list(dict.fromkeys(numbers)) == sorted(set(numbers)) for numbers in order.values())
        messages = [request.headers["Flowdiag-Message"] for request in taken]
        return len(messages) - len(set(messages))


def failing(chance: random.Random) -> Answer:
    """A receiver that is busy at times."""

    def answer(request: Request) -> None:
        request.taken = chance.random() > 0.2
        (OK if request.taken else status(503))(request)

    return answer


@contextmanager
def telling(
    watches: Stable, folder: Path, answer: Answer = OK, upstream: str | None = None
) -> Iterator[Told]:
    scene = make_scene(watches, folder, str(folder / "flows"), 2)
    if upstream is not None:
        for profile in (folder / "sites").iterdir():
            text = profile.read_text()
            profile.write_text(text.replace("[site]\n", f'[site]\nupstream = "{upstream}"\n', 1))
    with receiving(answer) as receiver:
        file = folder / "notify.toml"
        file.write_text(f'[[webhook]]\nname = "tickets"\nurl = "{receiver.url}"\ntimeout_s = 5\n')
        yield Told(scene, receiver, ("--notify", str(file)))


@pytest.mark.slow
@pytest.mark.parametrize("upstream", [None, "ring-1"])
def test_without_a_kill_everything_is_told_once(
    watches: Stable, tmp_path: Path, upstream: str | None
) -> None:
    with telling(watches, tmp_path, upstream=upstream) as told:
        told.finish(START)
        assert told.check() == 0
        if (
            upstream is not None
        ):  # at most ten begins of a cycle, a minute apart, within two of the first of each
            assert len(told.receiver.requests) < 2 * 2 * SITES


@pytest.mark.slow
@pytest.mark.parametrize("upstream", [None, "ring-1"])
def test_rounds_that_are_killed_at_any_instant_lose_no_message(
    watches: Stable, tmp_path: Path, upstream: str | None
) -> None:
    chance = random.Random(7)
    with telling(watches, tmp_path, failing(random.Random(3)), upstream) as told:
        begun_s = time.monotonic()
        told.once(START)
        usual_s = time.monotonic() - begun_s
        killed, now_ms, rounds = 0, START, 20
        for _ in range(rounds):
            now_ms += CYCLE_MS * told.scene.cycles // rounds
            number = told.start(now_ms)
            time.sleep(chance.random() * usual_s * 1.5)
            killed += told.scene.watches.kill(number)
        told.finish(now_ms)
        assert killed > rounds // 3
        # Between a delivery and the note of it a kill has it delivered again, by the same name: one a target.
        assert told.check() <= killed * SITES


@pytest.mark.slow
def test_a_round_that_is_killed_before_and_after_each_write_loses_no_message(
    watches: Stable, tmp_path: Path
) -> None:
    with telling(watches, tmp_path) as told:
        step = 0
        while True:
            now_ms = START + step * MINUTE_MS
            if told.scene.watches.wait(told.start(now_ms, die_at=step)) != -signal.SIGKILL:
                break
            step += 3  # before one, after the next but one
        assert step > 2 * SITES
        told.finish(now_ms)
        told.check()
