"""Every change is told once, whenever a watch is killed, stopped, or joined by another: the command itself."""

from __future__ import annotations

import json
import os
import random
import signal
import threading
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import pytest
from msgspec import Struct

from flowdiag.collector.store.ingest import ingest
from flowdiag.durations import MINUTE_MS
from flowdiag.rollup import ROLLER
from flowdiag.scenario.bulk import write_bulk
from flowdiag.watch.part import PARTS
from tests.watch.killable import CYCLE_MS, START, Run, Stable, make_sites, owners, parts, stable, told, truth
from tests.watch.ledgers import BUCKET, make_bucket, s3_server

SITES = 8


@pytest.fixture(scope="module")
def watches() -> Iterator[Stable]:
    with stable() as opened:
        yield opened


Message = tuple[str, list[str]]  # its name, and those of its events


class Scene(Struct):
    """cycles: of troubles of each site; received: by HTTP, None where nobody is told."""

    watches: Stable
    folder: Path
    store: str
    places: list[str]
    cycles: int
    received: list[Message] | None

    def run(self, now_ms: int, *words: str, **more: Any) -> Run:
        given = ["--store", self.store, "--sites", str(self.folder / "sites"), "--jobs", "1"]
        notify = [] if self.received is None else ["--notify", str(self.folder / "notify.toml")]
        out = str(self.folder / "out")
        return Run(["watch", *given, *notify, *words], self.cycles, out, now_ms, **more)

    def once(self, now_ms: int) -> None:
        """A round to its end."""
        code = self.watches.wait(self.watches.start(self.run(now_ms, "--once")))
        assert code in (0, 3), (self.folder / "out.errors").read_text()

    def finish(self, now_ms: int) -> None:
        """Rounds until everything is over."""
        until_ms = max(now_ms, START + self.cycles * CYCLE_MS) + 30 * MINUTE_MS
        while now_ms < until_ms:
            now_ms += 15 * MINUTE_MS
            self.once(now_ms)

    def check(self) -> int:
        """Every event is in the ledger once, was printed, and was carried by one message to the program and one to the receiver;
        gives how often something was told again, which is by the same name."""
        wanted = truth(self.places, self.cycles)
        kept = told(self.store)
        assert Counter(kept) == Counter(wanted)
        printed = Counter(self.printed())
        assert set(printed) == wanted
        again = sum(count - 1 for count in printed.values())
        for messages in (self.given(), self.received) if self.received is not None else ():
            by_name = dict(messages)
            carried = Counter(event for events in by_name.values() for event in events)
            assert carried == Counter(wanted)
            assert all(by_name[message] == events for message, events in messages)
            again += len(messages) - len(by_name)
        assert not any(part.letters for part in parts(self.store).values())
        return again

    def printed(self) -> list[str]:
        lines = (self.folder / "out").read_text().splitlines()
        return [name(json.loads(line)) for line in lines]

    def given(self) -> list[Message]:
        """What the program got."""
        lines = (self.folder / "given").read_text().splitlines()
        return [message(*line.split(" ", 1)) for line in lines]


def message(named: str, body: str | bytes) -> Message:
    of = json.loads(body)
    return named, [name(event) for event in of.get("sites", [of])]


def name(event: dict[str, Any]) -> str:
    return f"{event['key']}.{event['number']}"


def make_scene(
    watches: Stable, folder: Path, store: str, cycles: int, receiver: Receiver | None = None
) -> Scene:
    """A store with something in it, and sites that were looked at once. receiver: it is told, and so is a program."""
    export = write_bulk(folder / "export.ipfix", 240)
    ingest([str(export)], store, jobs=1, roller=ROLLER)
    places = make_sites(folder / "sites", SITES)
    if receiver is not None:
        script = f'x=$(cat); printf "%s %s\\n" "$FLOWDIAG_MESSAGE" "$x" >> {folder}/given'
        (folder / "notify.toml").write_text(
            f'[[command]]\nname = "program"\nargv = ["/bin/sh", "-c", {json.dumps(script)}]\n'
            f'[[webhook]]\nname = "receiver"\nurl = "http://127.0.0.1:{receiver.server_port}/"\nsecret = "invented"\n'
        )
    scene = Scene(watches, folder, store, places, cycles, receiver and receiver.received)
    scene.once(START - 10 * MINUTE_MS)
    return scene


class Receiver(ThreadingHTTPServer):
    def __init__(self) -> None:
        super().__init__(("127.0.0.1", 0), Answering)
        self.received: list[Message] = []


class Answering(BaseHTTPRequestHandler):
    def do_POST(self) -> None:
        assert isinstance(self.server, Receiver)
        body = self.rfile.read(int(self.headers["Content-Length"]))
        self.server.received.append(message(self.headers["Flowdiag-Message"], body))
        self.send_response(204)
        self.end_headers()

    def log_message(self, *words: object) -> None:
        pass


@pytest.fixture
def receiver() -> Iterator[Receiver]:
    with Receiver() as server:
        threading.Thread(target=server.serve_forever, daemon=True).start()
        yield server
        server.shutdown()


@pytest.fixture
def scene(watches: Stable, tmp_path: Path, receiver: Receiver) -> Scene:
    return make_scene(watches, tmp_path, str(tmp_path / "flows"), 3, receiver)


@pytest.fixture
def scene_in_a_bucket(tmp_path: Path, receiver: Receiver, monkeypatch: pytest.MonkeyPatch) -> Iterator[Scene]:
    with s3_server() as environment:
        for variable, value in environment.items():
            monkeypatch.setenv(variable, value)
        make_bucket()
        with stable() as watches:
            yield make_scene(watches, tmp_path, BUCKET, 2, receiver)


def test_without_a_kill_everything_is_told_once(scene: Scene) -> None:
    scene.finish(START)
    assert scene.check() == 0
    assert Counter(scene.printed()) == Counter(truth(scene.places, scene.cycles))


def test_a_profile_that_is_gone_for_a_while_is_no_reason_to_tell_anything_again(scene: Scene) -> None:
    """One with a mistake, one that moves behind another upstream and back, each for two rounds."""
    profile = scene.folder / "sites" / "site-03.toml"
    moved = scene.folder / "sites" / "site-05.toml"
    text, other = profile.read_text(), moved.read_text()
    for minute in (0, 5, 10, 15, 20, 30, 35, 40):
        if minute in (10, 30):
            profile.write_text("[site]\nname = 5\n")
            moved.write_text(other.replace("[site]\n", '[site]\nupstream = "ring-4"\n', 1))
        if minute in (20, 40):
            profile.write_text(text)
            moved.write_text(other)
        scene.once(START + minute * MINUTE_MS)
    scene.finish(START + 40 * MINUTE_MS)
    scene.check()


@pytest.mark.slow
def test_rounds_that_are_killed_at_any_instant_lose_and_repeat_no_event(scene: Scene) -> None:
    kill_rounds(scene, 100)


@pytest.mark.slow
def test_so_do_rounds_in_a_bucket(scene_in_a_bucket: Scene) -> None:
    kill_rounds(scene_in_a_bucket, 10)


def kill_rounds(scene: Scene, kills: int) -> int:
    """Gives how often something was told again, by the same name."""
    chance = random.Random(11)
    begun_s = time.monotonic()
    scene.once(START)
    usual_s = time.monotonic() - begun_s
    killed = 0
    now_ms = START
    for _ in range(kills):
        now_ms += CYCLE_MS * scene.cycles // kills
        number = scene.watches.start(scene.run(now_ms, "--once"))
        time.sleep(chance.random() * usual_s)
        killed += scene.watches.kill(number)
    scene.finish(now_ms)
    assert killed > kills // 2
    return scene.check()


@pytest.mark.slow
def test_a_round_that_is_killed_before_and_after_each_write_loses_and_repeats_no_event(scene: Scene) -> None:
    step = 0
    while True:
        now_ms = START + step * MINUTE_MS
        number = scene.watches.start(scene.run(now_ms, "--once", die_at=step))
        if scene.watches.wait(number) != -signal.SIGKILL:
            break
        step += 1
    assert step > 2 * SITES
    scene.finish(now_ms)
    scene.check()


SPEED = 240.0  # seconds of the sites' time in a second of these tests: a round is four minutes


class Going(Struct):
    """Watches that go on and on, a round each second, with one clock."""

    scene: Scene
    anchor_s: float
    elsewhere: bool = False
    beat_s: float | None = None
    numbers: list[int] = []

    def start(self) -> int:
        run = self.scene.run(START, "--every", "1s", "--quiet", speed=SPEED, anchor_s=self.anchor_s)
        run.elsewhere, run.beat_s = self.elsewhere, self.beat_s
        number = self.scene.watches.start(run)
        self.numbers.append(number)
        return number

    def kill(self, number: int) -> None:
        self.numbers.remove(number)
        assert self.scene.watches.kill(number)

    def end(self, number: int) -> None:
        os.kill(number, signal.SIGTERM)
        self.numbers.remove(number)
        assert self.scene.watches.wait(number) == 0, (self.scene.folder / "out.errors").read_text()

    @property
    def now_ms(self) -> int:
        return START + round((time.monotonic() - self.anchor_s) * SPEED * 1000)

    def until_shared(self, *shares: int) -> float:
        """Waits until the parts are shared like that; the time it took, in seconds."""
        begun_s = time.monotonic()
        while sorted(owners(self.scene.store).values()) != sorted(shares):
            assert time.monotonic() - begun_s < 60, owners(self.scene.store)
            time.sleep(0.05)
        return time.monotonic() - begun_s

    def until_quiet(self) -> None:
        """Waits until nothing is on its way: what was told and not noted yet would be told again, by its name."""
        while any(part.letters for part in parts(self.scene.store).values()):
            time.sleep(0.01)


@contextmanager
def going(scene: Scene, *, elsewhere: bool = False, beat_s: float | None = None) -> Iterator[Going]:
    """Ends those that are left, by force."""
    begun = Going(scene, time.monotonic(), elsewhere, beat_s, [])
    try:
        yield begun
    finally:
        for number in begun.numbers:
            scene.watches.kill(number)


@pytest.mark.slow
def test_of_two_watches_one_takes_over_at_once_what_the_other_leaves_by_death(scene: Scene) -> None:
    """On the same host, by the program's own times."""
    with going(scene) as watches:
        first, _ = watches.start(), watches.start()
        watches.until_shared(PARTS // 2, PARTS // 2)
        watches.kill(first)
        took_s = watches.until_shared(PARTS)
        assert took_s < 30  # on an idle machine six: it is looked every five seconds
        for number in list(watches.numbers):
            watches.end(number)
        assert owners(scene.store) == {"": PARTS}
        scene.finish(watches.now_ms)
    assert scene.check() <= SITES


@pytest.mark.slow
def test_watches_share_the_sites_of_a_bucket(scene_in_a_bucket: Scene) -> None:
    with going(scene_in_a_bucket) as watches:
        first, second = watches.start(), watches.start()
        watches.until_shared(PARTS // 2, PARTS // 2)
        watches.kill(first)
        watches.until_shared(PARTS)
        watches.end(second)
        scene_in_a_bucket.finish(watches.now_ms)
    scene_in_a_bucket.check()


@pytest.mark.slow
def test_a_watch_that_was_stopped_and_goes_on_tells_nothing_twice(scene: Scene) -> None:
    with going(scene, elsewhere=True, beat_s=0.5) as watches:
        first, second = watches.start(), watches.start()
        watches.until_shared(PARTS // 2, PARTS // 2)
        for stopped in (first, second, first):
            watches.until_quiet()
            os.kill(stopped, signal.SIGSTOP)
            watches.until_shared(PARTS)
            time.sleep(0.5)
            os.kill(stopped, signal.SIGCONT)
            watches.until_shared(PARTS // 2, PARTS // 2)
        watches.end(first)
        watches.until_shared(PARTS)
        watches.end(second)
        scene.finish(watches.now_ms)
    assert scene.check() == 0


@pytest.mark.slow
def test_watches_that_go_on_and_are_killed_at_any_instant_lose_and_repeat_no_event(scene: Scene) -> None:
    """Two at a time, of which one is killed, and another one begins."""
    chance = random.Random(5)
    kills = 40
    with going(scene) as watches:
        watches.start()
        for _ in range(kills):
            watches.start()
            time.sleep(chance.random() * 0.5)
            watches.kill(watches.numbers[0])
        watches.end(watches.numbers[0])
        scene.finish(watches.now_ms)
    assert scene.check() <= kills * 2
