"""The roll-ups that a store gets from their maker: the same octets whoever makes them and when, and read only where they can be
believed."""

from __future__ import annotations

import pickle
from pathlib import Path

import pytest

from flowdiag.collector.store.backends import StorageBackend
from flowdiag.collector.store.changes import make_store
from flowdiag.collector.store.finding import find_files
from flowdiag.collector.store.ingest import ingest
from flowdiag.collector.store.kept_rollups import find_kept_rollups
from flowdiag.collector.store.layout import rollup_path
from flowdiag.collector.store.opening import open_backend
from flowdiag.collector.store.rebuilding import rebuild
from flowdiag.collector.store.retention import retain
from flowdiag.collector.store.upkeep import compact
from flowdiag.rollup import ROLLER
from flowdiag.rollup.shape import TABLES
from flowdiag.rollup.stored import read_kept, read_rollups
from flowdiag.scenario.bulk import write_bulk
from tests.collector.store.building import FIRST_DAY, START, A, add_stretch, batch, content, flow, report
from tests.collector.store.rollers import damage, rollups_in

HOUR_MS = 3_600_000
RECORDS = 7_200


@pytest.fixture
def exports(tmp_path: Path) -> list[Path]:
    """Two captures of one exporter and the same three days."""
    (tmp_path / "exports").mkdir()
    return [
        write_bulk(tmp_path / "exports" / f"{seed}.pcap", RECORDS, "netflow9", seed, span_ms=70 * HOUR_MS)
        for seed in (1, 2)
    ]


def rows(backend: StorageBackend) -> list[int | None]:
    """Of each file, as its roll-up has them; None for one without."""
    rolled = read_rollups(backend, find_files(backend), ())
    return [None if one.rollup is None else one.rollup.facts.rows for one in rolled]


def test_the_same_input_makes_the_same_octets_by_any_number_of_processes_and_out_of_the_flows(
    exports: list[Path], tmp_path: Path
) -> None:
    exports.append(write_bulk(tmp_path / "3.ipfix", 2_400, seed=3))
    for store, jobs in (("one", 1), ("two", 2)):
        ingest(exports, tmp_path / store, jobs=jobs, roller=ROLLER)
    one = rollups_in(tmp_path / "one")
    assert len(one) == 7
    assert rollups_in(tmp_path / "two") == one
    for path in one:
        (tmp_path / "two" / path).unlink()
    assert len(rebuild(tmp_path / "two", ROLLER)) == 7
    assert rollups_in(tmp_path / "two") == one
    rebuild(tmp_path / "two", ROLLER, which="all", jobs=2)
    assert rollups_in(tmp_path / "two") == one


def test_files_tell_their_rows_and_merged_ones_those_of_all(exports: list[Path], tmp_path: Path) -> None:
    backend = open_backend(tmp_path / "flows")
    ingest(exports, tmp_path / "flows", roller=ROLLER)
    before = rows(backend)
    assert sum(count or 0 for count in before) == 2 * RECORDS
    assert len(compact(backend, roller=ROLLER)) == 3
    after = rows(backend)
    assert len(after) == len(before) - 3
    assert sum(count or 0 for count in after) == 2 * RECORDS
    rolled = read_rollups(backend, find_files(backend), TABLES)
    assert all(one.rollup is not None and set(one.rollup.tables) == set(TABLES) for one in rolled)


def test_what_is_damaged_or_another_s_is_said_and_left(exports: list[Path], tmp_path: Path) -> None:
    ingest(exports, tmp_path / "flows", roller=ROLLER)
    backend = open_backend(tmp_path / "flows")
    first, second, third, *_ = (file.target for file in find_files(backend))
    damage(tmp_path / "flows", first)
    other = (tmp_path / "flows" / rollup_path(third)).read_bytes()
    (tmp_path / "flows" / rollup_path(second)).write_bytes(other)
    said: dict[str, str] = {}
    rolled = read_rollups(backend, find_files(backend), TABLES, lambda path, why: said.update({path: why}))
    assert [one.rollup is None for one in rolled] == [True, True, *[False] * 4]
    assert said == {
        f"{tmp_path}/flows/{rollup_path(first)}": "its header is not what was written",
        f"{tmp_path}/flows/{rollup_path(second)}": "it was made of other flows than those beside it",
    }
    done = rebuild(tmp_path / "flows", ROLLER, which="damaged")
    assert [(one.target, one.damaged, one.made) for one in done] == [
        (first, True, True),
        (second, True, True),
    ]
    assert None not in rows(backend)


def test_few_flows_have_one_when_they_go(tmp_path: Path) -> None:
    backend = open_backend(tmp_path / "flows")
    make_store(backend)
    for day in range(2):
        flows = batch(*(flow(1_000 + number, START + day * 24 * HOUR_MS + 60_000) for number in range(3)))
        heard = report(5, day=FIRST_DAY + day)
        assert add_stretch(backend, content(str(day)), [flows], heard, START, ROLLER)
    assert rows(backend) == [None, None]
    retain(backend, 1, FIRST_DAY + 1, rollup_days=400, roller=ROLLER)
    assert rows(backend) == [None]
    (day_kept,) = find_kept_rollups(backend, {A})
    (kept,) = day_kept.rollups
    rollup = read_kept(backend, kept, TABLES)
    assert rollup is not None
    assert rollup.facts.rows == 3
    assert sum(rollup.tables["minutes"]["octets"].to_pylist()) == 1_000 + 1_001 + 1_002
    assert b"heard_minutes" in b"".join(rollup.report.values())
    said: list[str] = []
    (tmp_path / "flows" / rollup_path(kept.target)).unlink()
    assert read_kept(backend, kept, (), lambda path, why: said.append(f"{path}: {why}")) is None
    assert said == [f"{tmp_path}/flows/{rollup_path(kept.target)}: No such file or directory"]


def test_a_day_that_was_heard_and_had_no_flows_keeps_that(tmp_path: Path) -> None:
    backend = open_backend(tmp_path / "flows")
    make_store(backend)
    add_stretch(backend, content("silent"), [], report(5), START, ROLLER)
    later = START + 24 * HOUR_MS
    add_stretch(
        backend, content("later"), [batch(flow(1, later))], report(5, day=FIRST_DAY + 1), START, ROLLER
    )
    retain(backend, 1, FIRST_DAY + 1, rollup_days=400, roller=ROLLER)
    (day_kept,) = find_kept_rollups(backend)
    assert day_kept.without == 0
    rollup = read_kept(backend, day_kept.rollups[0], TABLES)
    assert rollup is not None
    assert rollup.facts.rows == 0
    assert b"heard_minutes" in b"".join(rollup.report.values())


def test_the_maker_goes_to_other_processes_by_its_name() -> None:
    octets = pickle.dumps(ROLLER)
    assert len(octets) < 100
    assert pickle.loads(octets) == ROLLER
