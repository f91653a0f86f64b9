"""Writers that die: at each single step of a change, and by kill -9 at random instants. Readers meanwhile.

Each file of flows has its own roll-up then, whole, or none."""

from __future__ import annotations

import multiprocessing
import random
import shutil
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from flowdiag.collector.export import read_export
from flowdiag.collector.store.backends import StorageBackend
from flowdiag.collector.store.changes import ASIDE_FORGOTTEN_S, make_store, sweep
from flowdiag.collector.store.finding import find_files
from flowdiag.collector.store.ingest import ingest
from flowdiag.collector.store.kept_rollups import find_kept_rollups, open_kept
from flowdiag.collector.store.layout import rollup_path
from flowdiag.collector.store.opening import open_backend
from flowdiag.collector.store.rebuilding import mend
from flowdiag.collector.store.retention import retain
from flowdiag.collector.store.upkeep import compact
from tests.collector.store.building import (
    DAY,
    FIRST_DAY,
    START,
    B,
    add_stretch,
    batch,
    content,
    files_in,
    flow,
    octets_in,
    report,
)
from tests.collector.store.captures import exports
from tests.collector.store.rollers import Sums, damage, rollups_in, told_by, with_rollups

MOST_STEPS = 200
KILLS = 10


class Killed(BaseException):
    """The process is no more."""


class Mortal:
    """A place whose process dies before the n-th step that changes something, and does nothing after that."""

    def __init__(self, backend: StorageBackend, steps: int) -> None:
        self._backend = backend
        self._steps = steps

    def __getattr__(self, name: str) -> Any:
        attribute = getattr(self._backend, name)
        if name not in ("write", "open_output", "seal", "move", "settle", "remove"):
            return attribute

        def step(*arguments: Any) -> Any:
            if not self._steps:
                raise Killed
            self._steps -= 1
            return attribute(*arguments)

        return step


def die_at_each_step(
    folder: Path,
    change: Callable[[Any], object],
    states: tuple[list[int], list[int]],
    check: Callable[[Path], object] = lambda store: None,
) -> None:
    """A store of two stretches is changed, and the writer dies before its first, second, ... step. Whoever reads then
    sees one of two states (octets of the flows); whoever does it again gets to the second. check: called with the store after
    each death and at the end."""
    before, after = map(sorted, states)
    for steps in range(MOST_STEPS):
        store = folder / str(steps)
        backend = open_backend(store)
        make_store(backend)
        for number in (1, 2):
            flows = batch(flow(number), flow(10 * number, exporter=B), flow(100 * number, START + DAY))
            stretch = content(str(number)), [flows], report(3), START + number
            add_stretch(backend, *stretch, roller=Sums())
        assert sorted(octets_in(store)) == before
        try:
            change(Mortal(backend, steps))
        except Killed:
            assert sorted(octets_in(store)) in (before, after)
            with_rollups(store)
            check(store)
            change(open_backend(store))
            assert sorted(octets_in(store)) == after
            sweep(open_backend(store), time.time() + 2 * ASIDE_FORGOTTEN_S)
            assert not [path for path in (store / "_flowdiag" / "aside").rglob("*") if path.is_file()]
            assert sorted(octets_in(store)) == after
            assert all(with_rollups(store).values())
            check(store)
        else:
            assert sorted(octets_in(store)) == after
            assert all(with_rollups(store).values())
            check(store)
            assert steps > 5
            return
    pytest.fail("the change never ends")


BEFORE = [1, 2, 100, 200, 10, 20]


def test_adding_happens_whole_or_not_at_all(tmp_path: Path) -> None:
    def add(backend: StorageBackend) -> None:
        flows = batch(flow(3), flow(30, exporter=B), flow(300, START + DAY))
        add_stretch(backend, content("third"), [flows], report(3), START + 3, Sums())

    die_at_each_step(tmp_path, add, (BEFORE, [1, 2, 3, 100, 200, 300, 10, 20, 30]))


def test_merging_never_shows_a_flow_twice_or_not_at_all(tmp_path: Path) -> None:
    die_at_each_step(tmp_path, lambda backend: compact(backend, roller=Sums()), (BEFORE, BEFORE))
    last = max(tmp_path.iterdir(), key=lambda path: int(path.name))
    assert len(files_in(last)) == 3


def test_days_are_dropped_all_at_once(tmp_path: Path) -> None:
    die_at_each_step(tmp_path, lambda backend: retain(backend, 1, FIRST_DAY + 1), (BEFORE, [100, 200]))


def test_days_are_dropped_all_at_once_and_their_roll_ups_stay_for_them(tmp_path: Path) -> None:
    """Flows or their roll-up tell of each: never both, never neither. One of the four has to be made first."""

    def kept(store: Path) -> None:
        alone = [
            rollup
            for day in find_kept_rollups(open_backend(store))
            for rollup in day.rollups
            if not day.without
        ]
        for rollup in alone:
            with open_kept(open_backend(store), rollup) as file:
                assert told_by(file.read())[1] == 1
        told = len(find_files(open_backend(store))) + len(alone)
        assert told == 6
        assert len(alone) in (0, 4)

    def retain_flows(backend: StorageBackend) -> None:
        first = find_files(backend)[0]
        if first.partition.day == FIRST_DAY:
            backend.remove(rollup_path(first.target))
        retain(backend, 1, FIRST_DAY + 1, rollup_days=2, roller=Sums())

    die_at_each_step(tmp_path, retain_flows, (BEFORE, [100, 200]), kept)


def test_roll_ups_are_made_anew_whole_or_not_at_all(tmp_path: Path) -> None:
    """One is damaged, one is another's, and one stands alone."""
    for steps in range(MOST_STEPS):
        store = tmp_path / str(steps)
        backend = open_backend(store)
        make_store(backend)
        for number in (1, 2):
            flows = batch(flow(number), flow(10 * number, exporter=B))
            add_stretch(backend, content(str(number)), [flows], report(3), START + number, Sums())
        sound = rollups_in(store)
        first, second, third, _ = files_in(store)
        damage(store, first)
        (store / rollup_path(second)).write_bytes(sound[rollup_path(third)])
        (store / rollup_path(second.replace("0000.", "0009."))).write_bytes(sound[rollup_path(second)])
        damaged = rollups_in(store)
        mortal: Any = Mortal(backend, steps)
        try:
            mend(mortal, Sums())
        except Killed:
            for path, octets in rollups_in(store).items():
                if "aside" not in path:
                    assert octets in (damaged[path], sound.get(path))
            mend(backend, Sums())
            sweep(backend, time.time() + 2 * ASIDE_FORGOTTEN_S)
            assert rollups_in(store) == sound
        else:
            assert rollups_in(store) == sound
            assert steps > 10
            return
    pytest.fail("it never ends")


def _ingest_and_compact(paths: list[Path], store: Path) -> None:
    ingest(paths, store, roller=Sums(least=0))
    compact(open_backend(store), roller=Sums(least=0))


def test_kill_9_at_random_instants_leaves_whole_exports_and_nothing_twice(tmp_path: Path) -> None:
    paths = exports(tmp_path / "exports", 6)
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(["flowdiag.collector.store.ingest", "flowdiag.collector.store.upkeep"])
    began = time.monotonic()
    undisturbed = context.Process(target=_ingest_and_compact, args=(paths, tmp_path / "undisturbed"))
    undisturbed.start()
    undisturbed.join(60)
    takes_s = time.monotonic() - began
    chance = random.Random(7)
    sizes = []
    for _ in range(KILLS):
        victim = context.Process(target=_ingest_and_compact, args=(paths, tmp_path / "flows"))
        victim.start()
        victim.join(chance.uniform(0, takes_s / 2))
        victim.kill()
        victim.join()
        if (tmp_path / "flows" / "_flowdiag" / "store.json").exists():
            sizes.append(read_export(tmp_path / "flows").num_rows)
            # Of a change that was being carried out, flows may stand where they belong and their roll-ups not yet.
            shutil.rmtree(tmp_path / "recovered", ignore_errors=True)
            recovered = Path(shutil.copytree(tmp_path / "flows", tmp_path / "recovered"))
            sweep(open_backend(recovered), time.time())
            assert all(with_rollups(recovered).values())
    assert all(size % 3_000 == 0 for size in sizes)
    assert sizes == sorted(sizes)
    ingest(paths, tmp_path / "flows", roller=Sums(least=0))
    assert all(with_rollups(tmp_path / "flows").values())
    kept, whole = read_export(tmp_path / "flows"), read_export(tmp_path / "undisturbed")
    assert kept.num_rows == 18_000
    order = [(name, "ascending") for name in ("end", "start", "src_port", "dst_port", "octets", "packets")]
    assert kept.sort_by(order).equals(whole.sort_by(order))


def test_readers_see_one_state_of_the_store_while_it_is_changed(tmp_path: Path) -> None:
    store = tmp_path / "flows"
    make_store(open_backend(store))
    done = threading.Event()

    def write() -> None:
        backend = open_backend(store)
        for number in range(32):
            add_stretch(
                backend, content(str(number)), [batch(flow(number))], report(1), START + 1_000 * number
            )
            if number % 4 == 3:
                compact(backend, patience_s=5)
        done.set()

    writer = threading.Thread(target=write)
    writer.start()
    seen = []
    while not done.is_set():
        octets = sorted(octets_in(store))
        assert octets == list(range(len(octets)))
        seen.append(len(octets))
    writer.join()
    assert seen == sorted(seen)
    assert len(set(seen)) > 5
    assert sorted(octets_in(store)) == list(range(32))
