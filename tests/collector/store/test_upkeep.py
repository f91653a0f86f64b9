"""Small files become large ones, old days go; and others that change the store in the middle of either."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from flowdiag.collector.store import folder as folder_place
from flowdiag.collector.store import upkeep
from flowdiag.collector.store.backends import StorageBackend
from flowdiag.collector.store.changes import make_store
from flowdiag.collector.store.layout import NO_DAY
from flowdiag.collector.store.opening import open_backend
from flowdiag.collector.store.retention import retain
from flowdiag.collector.store.upkeep import compact
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


@pytest.fixture
def backend(tmp_path: Path) -> StorageBackend:
    made = open_backend(tmp_path / "flows")
    make_store(made)
    return made


def add(backend: StorageBackend, number: int, *flows: dict[str, Any]) -> None:
    """A stretch that began so many seconds after midnight, of an exporter heard on its first flow's day."""
    heard = report(1, day=(flows[0]["end"] or START) // DAY)
    assert add_stretch(backend, content(str(number)), [batch(*flows)], heard, START + 1_000 * number)


def test_files_of_a_partition_become_one_in_their_order(backend: StorageBackend, tmp_path: Path) -> None:
    for number in range(5):
        add(backend, number, flow(number), flow(10 + number, exporter=B))
    before = octets_in(tmp_path / "flows")
    merged = compact(backend)
    told = [(m.partition.exporter, m.files_before, m.files_after, m.rows) for m in merged]
    assert told == [(A, 5, 1, 5), (B, 5, 1, 5)]
    assert octets_in(tmp_path / "flows") == before == [0, 1, 2, 3, 4, 10, 11, 12, 13, 14]
    assert len(files_in(tmp_path / "flows")) == 2
    assert compact(backend) == []


def test_what_is_large_is_not_written_again(
    backend: StorageBackend, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(upkeep, "FULL_ROWS", 4)
    for number in range(6):
        add(backend, number, flow(number), flow(number))
    assert [(m.files_before, m.rows) for m in compact(backend)] == [(2, 4)] * 3
    full = files_in(tmp_path / "flows")
    assert len(full) == 3
    for number in (6, 7):
        add(backend, number, flow(number))
    assert [(m.files_before, m.rows) for m in compact(backend)] == [(2, 2)]
    assert set(full) < set(files_in(tmp_path / "flows"))
    assert octets_in(tmp_path / "flows") == [0, 0, 1, 1, 2, 2, 3, 3, 4, 4, 5, 5, 6, 7]


def test_days_count_back_from_the_newest_with_flows(backend: StorageBackend, tmp_path: Path) -> None:
    """One day ten years on is of an exporter that makes up times; days without flows do not count."""
    for number, day in enumerate((0, 1, 2, 5, 3650)):
        add(backend, number, flow(number + 1, START + day * DAY))
    dropped = retain(backend, 4, FIRST_DAY + 30)
    assert [(gone.partition.day - FIRST_DAY, gone.rows) for gone in dropped] == [
        (0, 1),
        (1, 1),
        (2, 1),
        (5, 1),
    ]
    assert octets_in(tmp_path / "flows") == [5]


def test_a_collector_that_was_off_for_a_month_costs_no_evidence(
    backend: StorageBackend, tmp_path: Path
) -> None:
    for number in range(4):
        add(backend, number, flow(number + 1, START + number * DAY))
    dropped = retain(backend, 3, FIRST_DAY + 40)
    assert [(gone.partition.day, gone.files, gone.rows) for gone in dropped] == [(FIRST_DAY, 1, 1)]
    assert dropped[0].octets > 1_000
    assert octets_in(tmp_path / "flows") == [2, 3, 4]
    assert retain(backend, 3, FIRST_DAY + 40) == []


def test_flows_without_a_time_go_with_the_day_their_export_began(
    backend: StorageBackend, tmp_path: Path
) -> None:
    add(backend, 0, flow(1, START), flow(2, None))
    add(backend, 1, flow(3, START + 2 * DAY))
    assert retain(backend, 3, FIRST_DAY + 2) == []
    assert [gone.partition.day for gone in retain(backend, 2, FIRST_DAY + 2)] == [NO_DAY, FIRST_DAY]
    assert octets_in(tmp_path / "flows") == [3]


def test_what_was_dropped_can_be_added_again_and_what_stays_is_known(backend: StorageBackend) -> None:
    for number in range(3):
        add(backend, number, flow(number, START + number * DAY))
    retain(backend, 1, FIRST_DAY + 2)
    last = [batch(flow(2, START + 2 * DAY))]
    assert not add_stretch(backend, content("2"), last, report(1), START + 2)
    assert add_stretch(backend, content("0"), [batch(flow(0))], report(1), START)


class Disturbed:
    """A place where somebody else does something before the n-th file is opened."""

    def __init__(self, backend: StorageBackend, number: int, disturb: Callable[[], object]) -> None:
        self._backend = backend
        self._left = number
        self._disturb = disturb

    def __getattr__(self, name: str) -> Any:
        return getattr(self._backend, name)

    def open_input(self, path: str) -> Any:
        self._left -= 1
        if self._left == 0:
            self._disturb()
        return self._backend.open_input(path)


@pytest.mark.parametrize("number", range(1, 13))
def test_two_that_merge_at_once_lose_nothing_and_both_end(
    backend: StorageBackend, tmp_path: Path, number: int
) -> None:
    """Three files of each of two exporters: their footers are read, then the files; six footers, six files."""
    for stretch in range(3):
        add(backend, stretch, flow(stretch), flow(10 + stretch, exporter=B))
    others: list[int] = []
    disturbed: Any = Disturbed(backend, number, lambda: others.append(len(compact(backend))))
    own = compact(disturbed)
    assert others == [2] or len(own) + others[0] == 2
    assert octets_in(tmp_path / "flows") == [0, 1, 2, 10, 11, 12]
    assert len(files_in(tmp_path / "flows")) == 2
    assert not list((tmp_path / "flows" / "_flowdiag" / "aside").rglob("*.parquet"))


@pytest.mark.parametrize("number", range(1, 5))
def test_days_that_others_merge_meanwhile_are_dropped_all_the_same(
    backend: StorageBackend, tmp_path: Path, number: int
) -> None:
    for stretch in range(3):
        add(backend, stretch, flow(stretch + 1))
    add(backend, 3, flow(4, START + DAY))
    disturbed: Any = Disturbed(backend, number, lambda: compact(backend))
    dropped = retain(disturbed, 1, FIRST_DAY + 1)
    assert [(gone.partition.day, gone.rows) for gone in dropped] == [(FIRST_DAY, 3)]
    assert octets_in(tmp_path / "flows") == [4]


def test_a_store_that_is_read_keeps_its_files_until_nobody_reads(
    backend: StorageBackend, tmp_path: Path
) -> None:
    for number in range(2):
        add(backend, number, flow(number), flow(10 + number, START + DAY))
    before = files_in(tmp_path / "flows")
    with open_backend(tmp_path / "flows").reading():
        assert compact(backend) == []
        with pytest.raises(StoreError, match="nothing was dropped"):
            retain(backend, 1, FIRST_DAY + 1, patience_s=0.1)
        add(backend, 2, flow(20, START + DAY))  # adding need not wait
    assert set(before) < set(files_in(tmp_path / "flows"))
    assert len(retain(backend, 1, FIRST_DAY + 1)) == 1
    assert [merged.files_before for merged in compact(backend)] == [3]


def test_who_waits_for_readers_keeps_nobody_from_writing(backend: StorageBackend, tmp_path: Path) -> None:
    """Or the newest minute would come when the question about a month is answered."""
    for number in range(2):
        add(backend, number, flow(number), flow(10 + number, START + DAY))
    dropped: list[upkeep.Dropped] = []
    store = tmp_path / "flows"
    dropping = threading.Thread(
        target=lambda: dropped.extend(retain(open_backend(store), 1, FIRST_DAY + 1, patience_s=60.0))
    )
    with backend.reading():
        dropping.start()
        time.sleep(0.5)
        began = time.monotonic()
        for number in range(2, 5):
            add(backend, number, flow(20 + number, START + DAY))
        took = time.monotonic() - began
        assert (took < 30.0, dropped) == (True, [])
    dropping.join()
    assert [(gone.partition.day, gone.rows) for gone in dropped] == [(FIRST_DAY, 2)]
    assert octets_in(store) == [10, 11, 22, 23, 24]


def test_readers_wait_only_while_files_are_removed(
    backend: StorageBackend, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(folder_place, "LOCK_PATIENCE_S", 0.1)
    add(backend, 0, flow(1))
    with open_backend(tmp_path / "flows").writing():
        assert octets_in(tmp_path / "flows") == [1]
