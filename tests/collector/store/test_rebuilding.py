"""Roll-ups made anew from the flows are the octets that were made with them."""

from __future__ import annotations

from pathlib import Path

import pytest

from flowdiag.collector.store import rebuilding
from flowdiag.collector.store.backends import StorageBackend
from flowdiag.collector.store.finding import StoredFile
from flowdiag.collector.store.ingest import ingest
from flowdiag.collector.store.layout import rollup_path
from flowdiag.collector.store.opening import open_backend
from flowdiag.collector.store.rebuilding import Made, Which, make_rollup, mend, rebuild
from flowdiag.collector.store.rolling import Roller
from flowdiag.collector.store.upkeep import compact
from tests.collector.store.building import START, add_stretch, batch, content, files_in, flow, report
from tests.collector.store.captures import exports, rotated, stored
from tests.collector.store.rollers import Sums, damage, rollups_in, with_rollups

ROLLER = Sums(least=100)


@pytest.fixture
def store(tmp_path: Path) -> Path:
    """Files of two exports and of a rotated one, some without flows, with roll-ups of those that are large enough."""
    paths = [*exports(tmp_path / "exports", 2), *rotated(tmp_path / "rotated", 2_000, 3)]
    ingest(paths, tmp_path / "flows", roller=ROLLER)
    made = with_rollups(tmp_path / "flows")
    assert set(made.values()) == {True, False}
    return tmp_path / "flows"


@pytest.mark.parametrize("jobs", [1, 2])
def test_what_is_missing_is_made_as_it_was(store: Path, jobs: int) -> None:
    flows, before = stored(store), rollups_in(store)
    for path in before:
        (store / path).unlink()
    done = rebuild(store, ROLLER, jobs=jobs)
    assert {rollup_path(one.target) for one in done if one.made} == before.keys()
    assert not any(one.damaged or one.fault for one in done)
    assert (stored(store), rollups_in(store)) == (flows, before)
    assert rebuild(store, ROLLER, jobs=jobs) == []
    assert not list((store / "_flowdiag" / "aside").rglob("*.*"))


@pytest.mark.parametrize("which", ["damaged", "missing"])
def test_what_is_damaged_is_made_anew_and_what_is_sound_is_left_alone(store: Path, which: Which) -> None:
    before = rollups_in(store)
    targets = [path for path, made in with_rollups(store).items() if made]
    damage(store, targets[0])
    (store / rollup_path(targets[1])).write_bytes(b"half")
    (store / rollup_path(targets[2])).write_bytes(before[rollup_path(targets[3])])
    untouched = (store / rollup_path(targets[3])).stat().st_ino
    done = rebuild(store, ROLLER, which=which)
    assert [(one.target, one.damaged, one.made) for one in done] == [
        (target, True, True) for target in targets[:3]
    ]
    assert rollups_in(store) == before
    assert (store / rollup_path(targets[3])).stat().st_ino == untouched


def test_all_are_made_anew_by_another_maker(store: Path) -> None:
    before = rollups_in(store)
    done = rebuild(store, Sums(least=0), which="all")
    assert len([one for one in done if one.made]) == len(files_in(store)) > len(before)
    assert all(with_rollups(store).values())


def test_a_damaged_one_of_few_flows_goes(store: Path) -> None:
    small = next(path for path, made in with_rollups(store).items() if not made)
    place = store / rollup_path(small)
    place.parent.mkdir(exist_ok=True)
    place.write_bytes(b"of an earlier file")
    (done,) = mend(open_backend(store), ROLLER).rebuilt
    assert (done.target, done.damaged, done.made, done.fault) == (small, True, False, "")
    assert not place.exists()


def test_upkeep_mends_what_is_damaged_and_makes_nothing_else(store: Path) -> None:
    before = rollups_in(store)
    first, second, *_ = (path for path, made in with_rollups(store).items() if made)
    damage(store, first)
    (store / rollup_path(second)).unlink()
    (done,) = mend(open_backend(store), ROLLER).rebuilt
    assert (done.target, done.made) == (first, True)
    assert before.items() - rollups_in(store).items() == {(rollup_path(second), before[rollup_path(second)])}
    assert mend(open_backend(store), ROLLER).rebuilt == []


def test_roll_ups_that_stand_alone_go(store: Path) -> None:
    """Of flows that somebody removed by hand: they would stand for nothing."""
    before = rollups_in(store)
    target = next(path for path, made in with_rollups(store).items() if made)
    (store / target).unlink()
    assert rebuild(store, ROLLER) == []
    assert before.keys() - rollups_in(store).keys() == {rollup_path(target)}


def test_flows_that_cannot_be_read_and_makers_that_fail_are_said_and_the_others_go_on(store: Path) -> None:
    targets = [path for path, made in with_rollups(store).items() if made]
    octets = bytearray((store / targets[0]).read_bytes())
    octets[100:2_000] = bytes(1_900)
    (store / targets[0]).write_bytes(octets)
    for path in rollups_in(store):
        (store / path).unlink()
    done = {one.target: one for one in rebuild(store, ROLLER)}
    assert done[targets[0]].fault.startswith("its flows cannot be read: ")
    assert not done[targets[0]].made
    assert [done[target].made for target in targets[1:]] == [True] * (len(targets) - 1)
    failed = rebuild(store, Sums(fails="finish"), which="all")
    assert {one.fault for one in failed if one.target != targets[0]} == {"ValueError: no sums today"}
    assert rollups_in(store) == {}


def test_a_roll_up_whose_flows_are_merged_meanwhile_goes_with_them(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    store = tmp_path / "flows"
    ingest(exports(tmp_path / "exports", 1), store, roller=Sums())
    backend = open_backend(store)
    for number in (1, 2):
        stretch = content(str(number)), [batch(flow(number))], report(1), START + number
        assert add_stretch(backend, *stretch)

    def disturbed(backend: StorageBackend, file: StoredFile, roller: Roller) -> Made:
        made = make_rollup(backend, file, roller)
        compact(open_backend(store), roller=roller)
        return made

    monkeypatch.setattr(rebuilding, "make_rollup", disturbed)
    assert rebuild(store, Sums()) == []
    assert {path: made for path, made in with_rollups(store).items() if "192.0.2" in path} == {
        path: True for path in files_in(store) if "192.0.2" in path
    }
    assert not list((store / "_flowdiag" / "aside").rglob("*.*"))


def test_a_collector_looks_for_damage_bit_by_bit_and_comes_round(store: Path) -> None:
    targets = sorted(path for path, made in with_rollups(store).items() if made)
    for target in (targets[0], targets[2]):
        damage(store, target)
    backend, after, found = open_backend(store), "", []
    for _ in range(len(targets) + 1):
        mended = mend(backend, ROLLER, after=after, enough=lambda: True)
        found.append([one.target for one in mended.rebuilt])
        after = mended.reached
    assert found == [[target] if n in (0, 2) else [] for n, target in enumerate([*targets, ""])]
    assert after == ""
