"""Roll-ups come and go with their flows, one for each file, and are never taken for those of another."""

from __future__ import annotations

import errno
import os
from pathlib import Path
from typing import Any

import duckdb
import pyarrow.dataset as ds
import pytest

from flowdiag.collector.store import writer
from flowdiag.collector.store.adding import add_written
from flowdiag.collector.store.backends import StorageBackend
from flowdiag.collector.store.changes import make_store
from flowdiag.collector.store.folder import Folder
from flowdiag.collector.store.ingest import ingest
from flowdiag.collector.store.opening import open_backend
from flowdiag.collector.store.upkeep import compact
from flowdiag.collector.store.writer import FlowWriter
from flowdiag.errors import StoreError
from flowdiag.inspection import inspect_export
from tests.collector.store.building import (
    DAY,
    START,
    A,
    B,
    add_stretch,
    batch,
    content,
    files_in,
    flow,
    octets_in,
    report,
)
from tests.collector.store.captures import exports, rotated, stored
from tests.collector.store.rollers import Sums, is_its_own, rollups_in, told_by, with_rollups


@pytest.fixture
def backend(tmp_path: Path) -> StorageBackend:
    made = open_backend(tmp_path / "flows")
    make_store(made)
    return made


def add(backend: StorageBackend, number: int, *flows: dict[str, Any], roller: Sums | None = None) -> None:
    stretch = content(str(number)), [batch(*flows)], report(1), START + 1_000 * number
    assert add_stretch(backend, *stretch, roller=roller or Sums())


def test_each_file_of_flows_gets_one_beside_it_in_the_same_folder_of_another_tree(
    backend: StorageBackend, tmp_path: Path
) -> None:
    add(backend, 1, flow(1), flow(2), flow(20, exporter=B), flow(3, START + DAY))
    assert list(rollups_in(tmp_path / "flows")) == [
        f"_flowdiag/rollups/{path.removesuffix('.parquet')}.rollup" for path in files_in(tmp_path / "flows")
    ]
    assert list(with_rollups(tmp_path / "flows").values()) == [True] * 3
    told = [told_by(octets)[:2] for octets in rollups_in(tmp_path / "flows").values()]
    assert told == [(A.hex(), 2), (A.hex(), 1), (B.hex(), 1)]


def test_flows_without_a_day_have_none(backend: StorageBackend, tmp_path: Path) -> None:
    add(backend, 1, flow(1), flow(2, None))
    assert with_rollups(tmp_path / "flows") == {
        path: "day=2026" in path for path in files_in(tmp_path / "flows")
    }


def test_a_file_that_makes_room_for_others_has_one_of_its_own(
    backend: StorageBackend, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(writer, "ROW_GROUP_ROWS", 2)
    monkeypatch.setattr(writer, "MAX_OPEN_FILES", 1)
    writing = FlowWriter(backend, content("1").digest, START, roller=Sums())
    for number in range(3):
        writing.add(batch(*(flow(number, exporter=exporter) for exporter in (A, A, B, B))))
    files = writing.finish()
    assert len(files) == 6
    assert len({file.rollup for file in files} - {None}) == 6
    assert add_written(backend, [content("1")], files)
    assert list(with_rollups(tmp_path / "flows").values()) == [True] * 6
    assert not list((tmp_path / "flows" / "_flowdiag" / "aside").rglob("*.*"))


def test_of_many_files_at_once_all_but_some_are_made_when_they_are_closed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The same octets, and no more summaries at a time than there is memory for."""
    monkeypatch.setattr(writer, "ROW_GROUP_ROWS", 2)
    made: list[dict[str, bytes]] = []
    for most in (0, 1, 4):
        monkeypatch.setattr(writer, "MAX_SUMMARIES", most)
        backend = open_backend(tmp_path / str(most))
        make_store(backend)
        flows = [
            batch(*(flow(number, START + day * DAY) for day in range(5) for _ in range(2)))
            for number in range(3)
        ]
        assert add_stretch(backend, content("1"), flows, report(7), START, Sums())
        assert list(with_rollups(tmp_path / str(most)).values()) == [True] * 5
        made.append(rollups_in(tmp_path / str(most)))
    assert made[0] == made[1] == made[2]


@pytest.mark.parametrize("step", ["begin", "add", "finish"])
def test_a_roll_up_that_cannot_be_made_costs_no_flow_and_is_said(tmp_path: Path, step: str) -> None:
    paths = exports(tmp_path / "exports", 2, 312)
    done = ingest(paths, tmp_path / "flows", jobs=2, roller=Sums(fails=step))
    assert [(one.state, one.records) for one in done] == [("added", 312)] * 2
    assert [set(one.faults) for one in done] == [{"ValueError: no sums today"}] * 2
    assert rollups_in(tmp_path / "flows") == {}
    ingest(paths, tmp_path / "without")
    assert stored(tmp_path / "flows") == stored(tmp_path / "without")


class FullForRollUps(Folder):
    """A folder without room for roll-ups."""

    def open_output(self, path: str) -> Any:
        file = super().open_output(path)
        if path.endswith(".rollup"):
            file.write(b"half of it")
            file.close()
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        return file


def test_a_disk_that_is_full_for_roll_ups_takes_the_flows(tmp_path: Path) -> None:
    backend = FullForRollUps(tmp_path / "flows")
    make_store(backend)
    add(backend, 1, flow(1), flow(2, START + DAY))
    assert octets_in(tmp_path / "flows") == [1, 2]
    assert rollups_in(tmp_path / "flows") == {}


class FullInTheMiddle(Folder):
    """A folder in which no file can be moved."""

    def move(self, source: str, target: str) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))


def test_what_a_change_has_begun_to_move_is_not_cleared_away(tmp_path: Path) -> None:
    """The journal names files that have to be there for whoever comes next."""
    make_store(open_backend(tmp_path / "flows"))
    backend = FullInTheMiddle(tmp_path / "flows")
    writing = FlowWriter(backend, content("1").digest, START, roller=Sums())
    writing.add(batch(flow(1)))
    files = writing.finish()
    with pytest.raises(StoreError, match="No space left"):
        add_written(backend, [content("1")], files)
    writing.discard()
    add(open_backend(tmp_path / "flows"), 2, flow(2))
    assert octets_in(tmp_path / "flows") == [1, 2]
    assert list(with_rollups(tmp_path / "flows").values()) == [True, True]


def test_what_an_earlier_file_of_that_name_left_is_replaced_or_goes_and_no_reader_is_waited_for(
    backend: StorageBackend, tmp_path: Path
) -> None:
    """As its advice says, a damaged file was removed, with its note, and its export was added again."""
    store = tmp_path / "flows"
    for roller, left in ((Sums(), True), (Sums(least=2), False)):
        add(backend, 1, flow(1))
        (path,) = files_in(store)
        assert with_rollups(store) == {path: True}
        (store / path).unlink()
        (note,) = (store / "_flowdiag" / "ingested").rglob("*.json")
        note.unlink()
        with backend.reading():
            add(open_backend(store), 1, flow(7), roller=roller)
        assert octets_in(store) == [7]
        assert with_rollups(store) == {path: left}
        (store / path).unlink()
        next((store / "_flowdiag" / "ingested").rglob("*.json")).unlink()


def test_files_that_were_renamed_have_no_roll_up_and_never_one_anothers(
    backend: StorageBackend, tmp_path: Path
) -> None:
    """Both files have as many octets: what is in them tells them apart."""
    store = tmp_path / "flows"
    add(backend, 1, flow(1))
    add(backend, 2, flow(2))
    first, second = files_in(store)
    assert len({(store / path).stat().st_size for path in (first, second)}) == 1
    (store / first).rename(store / "swapped")
    (store / second).rename(store / first)
    (store / "swapped").rename(store / second)
    assert [is_its_own(store, path) for path in (first, second)] == [False, False]
    (store / first).rename(store / second)
    assert is_its_own(store, second)
    other = first.replace("20260302", "20260303")
    (store / second).rename(store / other)
    assert with_rollups(store) == {other: False}


def test_roll_ups_are_the_same_octets_however_many_work_on_them(tmp_path: Path) -> None:
    paths = [*exports(tmp_path / "exports", 3), *rotated(tmp_path / "rotated", 2_000, 3)]
    for store, jobs in (("one", 1), ("two", 2), ("again", 1)):
        ingest(paths, tmp_path / store, jobs=jobs, roller=Sums(least=0))
    one = rollups_in(tmp_path / "one")
    assert one == rollups_in(tmp_path / "two") == rollups_in(tmp_path / "again")
    assert all(with_rollups(tmp_path / "one").values())
    assert len(one) == len(files_in(tmp_path / "one"))


def test_a_merged_file_gets_its_own_and_those_of_its_sources_go(
    backend: StorageBackend, tmp_path: Path
) -> None:
    for number in range(4):
        add(backend, number, flow(number), flow(10 + number, exporter=B))
    assert len(rollups_in(tmp_path / "flows")) == 8
    assert [merged.faults for merged in compact(backend, roller=Sums())] == [(), ()]
    assert list(with_rollups(tmp_path / "flows").values()) == [True, True]
    assert [told_by(octets)[1] for octets in rollups_in(tmp_path / "flows").values()] == [4, 4]


def test_merging_without_a_maker_leaves_none_of_the_sources(backend: StorageBackend, tmp_path: Path) -> None:
    for number in range(2):
        add(backend, number, flow(number))
    assert compact(backend)
    assert rollups_in(tmp_path / "flows") == {}


def test_other_readers_of_the_store_do_not_see_them(backend: StorageBackend, tmp_path: Path) -> None:
    store = tmp_path / "flows"
    for number in (1, 2):
        add(backend, number, flow(number), flow(10 * number, START + DAY), flow(100, exporter=B))
    assert rollups_in(store)
    wanted = [1, 2, 10, 20, 100, 100]
    for everything in (
        ds.dataset(store, format="parquet", partitioning="hive"),
        ds.dataset(store, format="parquet", partitioning="hive", exclude_invalid_files=True),
    ):
        assert sorted(everything.to_table(columns=["octets"]).to_pandas()["octets"]) == wanted
    for pattern in ("exporter=*/day=*/*.parquet", "**/*.parquet"):
        question = f"SELECT octets FROM read_parquet('{store}/{pattern}', hive_partitioning = true)"
        assert sorted(row[0] for row in duckdb.sql(question).fetchall()) == wanted
    assert inspect_export([store]).records == len(wanted)
