"""Flows of old days go, their roll-ups stay until their own age, and count only where it was their age that took the flows."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from flowdiag.collector.store.adding import is_added
from flowdiag.collector.store.backends import StorageBackend
from flowdiag.collector.store.beside import NotItsRollUp
from flowdiag.collector.store.changes import make_store
from flowdiag.collector.store.finding import find_files
from flowdiag.collector.store.kept_rollups import KeptDay, find_kept_rollups, open_kept
from flowdiag.collector.store.layout import Partition, rollup_path
from flowdiag.collector.store.opening import open_backend
from flowdiag.collector.store.rebuilding import mend, rebuild
from flowdiag.collector.store.retention import retain
from flowdiag.errors import StoreError
from tests.collector.store.building import (
    DAY,
    FIRST_DAY,
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
from tests.collector.store.rollers import Sums, damage, rollups_in, told_by, with_rollups

LAST = FIRST_DAY + 4


@pytest.fixture
def backend(tmp_path: Path) -> StorageBackend:
    """Five days of an exporter, the first of them of another one too."""
    made = open_backend(tmp_path / "flows")
    make_store(made)
    for number in range(5):
        add(made, number, flow(number + 1, START + number * DAY))
    add(made, 5, flow(10, exporter=B))
    return made


def add(backend: StorageBackend, number: int, *flows: dict[str, Any], roller: Sums | None = None) -> None:
    heard = report(1, day=(flows[0]["end"] or START) // DAY, exporter=flows[0]["exporter"])
    stretch = content(str(number)), [batch(*flows)], heard, START + 1_000 * number
    assert add_stretch(backend, *stretch, roller=roller or Sums())


def kept(backend: StorageBackend, *question: Any) -> list[tuple[bytes, int, int, int]]:
    """Exporter, day counted from the first, roll-ups, records that went without."""
    days = find_kept_rollups(backend, *question)
    return [
        (day.partition.exporter, day.partition.day - FIRST_DAY, len(day.rollups), day.without) for day in days
    ]


def told(backend: StorageBackend, days: list[KeptDay]) -> list[int]:
    """Rows that each of the kept roll-ups is of."""
    rows = []
    for rollup in (rollup for day in days for rollup in day.rollups):
        with open_kept(backend, rollup) as file:
            rows.append(told_by(file.read())[1])
    return rows


def test_roll_ups_go_with_their_flows_by_default(backend: StorageBackend, tmp_path: Path) -> None:
    dropped = retain(backend, 2, LAST)
    assert [(gone.files, gone.kept, gone.rollups) for gone in dropped] == [(1, 0, 0)] * 4
    assert list(with_rollups(tmp_path / "flows").values()) == [True, True]
    assert len(rollups_in(tmp_path / "flows")) == 2
    assert find_kept_rollups(backend) == []


def test_they_stay_until_their_own_age_and_then_go(backend: StorageBackend, tmp_path: Path) -> None:
    before = rollups_in(tmp_path / "flows")
    dropped = retain(backend, 2, LAST, rollup_days=4, roller=Sums())
    told_of = [(gone.partition.day - FIRST_DAY, gone.files, gone.kept, gone.rollups) for gone in dropped]
    assert told_of == [(0, 1, 0, 0), (1, 1, 1, 0), (2, 1, 1, 0), (0, 1, 0, 0)]
    assert octets_in(tmp_path / "flows") == [4, 5]
    assert kept(backend) == [(A, 1, 1, 0), (A, 2, 1, 0)]
    assert told(backend, find_kept_rollups(backend)) == [1, 1]
    assert rollups_in(tmp_path / "flows").items() < before.items()
    assert retain(backend, 2, LAST, rollup_days=4, roller=Sums()) == []
    add(backend, 6, flow(6, START + 5 * DAY))
    dropped = retain(backend, 2, LAST + 1, rollup_days=4, roller=Sums())
    told_of = [(gone.partition.day - FIRST_DAY, gone.files, gone.kept, gone.rollups) for gone in dropped]
    assert told_of == [(1, 0, 0, 1), (3, 1, 1, 0)]
    assert kept(backend) == [(A, 2, 1, 0), (A, 3, 1, 0)]
    assert [gone.rollups for gone in retain(backend, 2, LAST + 1)] == [1, 1]
    assert find_kept_rollups(backend) == []
    assert not (tmp_path / "flows" / "_flowdiag" / "retained").exists() or not list(
        (tmp_path / "flows" / "_flowdiag" / "retained").rglob("*.json")
    )


def test_a_question_gets_those_of_its_exporters_and_days(backend: StorageBackend) -> None:
    retain(backend, 1, LAST, rollup_days=5, roller=Sums())
    assert kept(backend) == [(A, day, 1, 0) for day in range(4)] + [(B, 0, 1, 0)]
    assert kept(backend, {B}) == [(B, 0, 1, 0)]
    span = START + 2 * DAY, START + 3 * DAY
    assert kept(backend, {A, B}, span) == [(A, 2, 1, 0), (A, 3, 1, 0)]  # flows may end on the day after
    files = find_files(backend)
    assert {file.target for file in files}.isdisjoint(
        rollup.target for day in find_kept_rollups(backend) for rollup in day.rollups
    )


def test_flows_that_go_leave_a_roll_up_however_few_they_are(backend: StorageBackend, tmp_path: Path) -> None:
    """What few flows do without while they are there is made when they go; so is what was damaged."""
    add(backend, 6, flow(60), flow(61), roller=Sums(least=100))
    small = next(path for path, made in with_rollups(tmp_path / "flows").items() if not made)
    damage(tmp_path / "flows", next(path for path, made in with_rollups(tmp_path / "flows").items() if made))
    retain(backend, 1, LAST, rollup_days=5, roller=Sums(least=100))
    assert kept(backend)[0] == (A, 0, 2, 0)
    assert sorted(told(backend, find_kept_rollups(backend, {A}))) == [1, 1, 1, 1, 2]
    assert rollup_path(small) in rollups_in(tmp_path / "flows")


def test_flows_that_leave_none_are_counted(backend: StorageBackend) -> None:
    add(backend, 6, flow(60), flow(61), roller=Sums(least=100))
    retain(backend, 1, LAST, rollup_days=5, roller=Sums(fails="add"))
    assert kept(backend, {A})[0] == (A, 0, 1, 2)


def test_flows_that_came_after_their_day_was_dropped_are_dropped_beside_the_others(
    backend: StorageBackend,
) -> None:
    retain(backend, 1, LAST, rollup_days=5, roller=Sums())
    add(backend, 6, flow(60), flow(61))
    assert kept(backend, {A})[0] == (A, 0, 1, 0)
    retain(backend, 1, LAST, rollup_days=5, roller=Sums())
    assert kept(backend, {A})[0] == (A, 0, 2, 0)
    assert told(backend, find_kept_rollups(backend, {A})) == [1, 2, 1, 1, 1]


def test_a_roll_up_alone_does_not_count_unless_age_took_its_flows(
    backend: StorageBackend, tmp_path: Path
) -> None:
    first, *_ = files_in(tmp_path / "flows")
    (tmp_path / "flows" / first).unlink()
    assert find_kept_rollups(backend) == []
    retain(backend, 1, LAST, rollup_days=5, roller=Sums())
    assert kept(backend) == [(A, 1, 1, 0), (A, 2, 1, 0), (A, 3, 1, 0), (B, 0, 1, 0)]
    assert rollup_path(first) not in rollups_in(tmp_path / "flows")


def test_flows_that_were_restored_by_hand_are_not_counted_twice(
    backend: StorageBackend, tmp_path: Path
) -> None:
    first, *_ = files_in(tmp_path / "flows")
    octets = (tmp_path / "flows" / first).read_bytes()
    retain(backend, 1, LAST, rollup_days=5, roller=Sums())
    (tmp_path / "flows" / first).parent.mkdir()
    (tmp_path / "flows" / first).write_bytes(octets)
    assert kept(backend, {A})[0] == (A, 0, 0, 0)
    assert octets_in(tmp_path / "flows") == [1, 5]
    assert with_rollups(tmp_path / "flows")[first]


def test_what_was_found_before_a_day_was_dropped_is_not_given_again(backend: StorageBackend) -> None:
    """In a bucket, where nobody waits for readers."""
    files = find_files(backend)
    retain(backend, 1, LAST, rollup_days=5, roller=Sums())
    assert [day.rollups for day in find_kept_rollups(backend, files=files)] == [()] * 5


def test_a_kept_roll_up_is_never_another_s(backend: StorageBackend, tmp_path: Path) -> None:
    retain(backend, 1, LAST, rollup_days=5, roller=Sums())
    first, second, *_ = rollups_in(tmp_path / "flows")
    (tmp_path / "flows" / first).write_bytes((tmp_path / "flows" / second).read_bytes())
    with pytest.raises(NotItsRollUp):
        told(backend, find_kept_rollups(backend, {A}))


def test_making_roll_ups_anew_leaves_kept_ones_alone(backend: StorageBackend, tmp_path: Path) -> None:
    retain(backend, 1, LAST, rollup_days=5, roller=Sums())
    before = rollups_in(tmp_path / "flows")
    rebuild(tmp_path / "flows", Sums(), which="all")
    mend(backend, Sums())
    assert rollups_in(tmp_path / "flows") == before
    assert len(kept(backend)) == 5


def test_an_export_is_known_as_long_as_its_roll_ups_stay(backend: StorageBackend) -> None:
    retain(backend, 1, LAST, rollup_days=4, roller=Sums())
    assert [is_added(backend, content(str(number)).digest) for number in range(6)] == [
        False,
        True,
        True,
        True,
        True,
        False,
    ]
    stretch = content("1"), [batch(flow(2, START + DAY))], report(1), START
    assert not add_stretch(backend, *stretch, roller=Sums())
    retain(backend, 1, LAST)
    assert add_stretch(backend, *stretch, roller=Sums())


def test_a_store_that_is_read_keeps_its_days_and_what_was_made_for_them_goes(
    backend: StorageBackend, tmp_path: Path
) -> None:
    add(backend, 6, flow(60), roller=Sums(least=100))
    with (
        open_backend(tmp_path / "flows").reading(),
        pytest.raises(StoreError, match="nothing was dropped"),
    ):
        retain(backend, 1, LAST, rollup_days=5, roller=Sums(), patience_s=0.1)
    assert find_kept_rollups(backend) == []
    assert not list((tmp_path / "flows" / "_flowdiag" / "aside").rglob("*.*"))


def test_a_note_that_is_damaged_counts_for_nothing(backend: StorageBackend, tmp_path: Path) -> None:
    retain(backend, 1, LAST, rollup_days=5, roller=Sums())
    note = tmp_path / "flows" / "_flowdiag" / "retained" / "exporter=192.0.2.2" / "day=2026-03-02.json"
    for text in (
        "",
        "[]",
        '{"rollups": {"x": "zz"}, "without": 0}',
        '{"rollups": {"x": "00"}, "without": 0}',
    ):
        note.write_text(text)
        assert [
            day for day in find_kept_rollups(backend) if day.rollups and day.partition.exporter == B
        ] == []
    assert Partition(A, FIRST_DAY) in [day.partition for day in find_kept_rollups(backend)]
