"""Whoever adds up flows by their roll-ups counts each once, whatever is merged, dropped and made anew meanwhile."""

from __future__ import annotations

import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pyarrow.parquet as pq
import pytest

from flowdiag.collector.store.asking import asked_again
from flowdiag.collector.store.backends import StorageBackend
from flowdiag.collector.store.beside import open_rollup
from flowdiag.collector.store.finding import StoredFile, find_files, open_stored
from flowdiag.collector.store.kept_rollups import find_kept_rollups, open_kept
from flowdiag.collector.store.opening import open_backend
from flowdiag.collector.store.rebuilding import rebuild
from flowdiag.collector.store.retention import retain
from flowdiag.collector.store.upkeep import compact
from flowdiag.errors import StoreChanged
from tests.collector.store.building import ALL, DAYS, FIRST_DAY, in_many_files
from tests.collector.store.rollers import Sums, told_by
from tests.collector.store.test_asking import like_a_bucket

PATIENCE_S = 60.0
LAST = FIRST_DAY + DAYS - 1
CHANGES: dict[str, Callable[[Path], object]] = {
    "merge": lambda store: compact(open_backend(store), roller=Sums(), patience_s=PATIENCE_S),
    "drop": lambda store: retain(open_backend(store), 1, LAST, rollup_days=DAYS, roller=Sums()),
    "rebuild": lambda store: rebuild(store, Sums(), which="all"),
}


def rows_of(backend: StorageBackend, file: StoredFile) -> int:
    """By its roll-up, else by its flows."""
    try:
        with open_rollup(backend, file) as rollup:
            return int(told_by(rollup.read())[1])
    except FileNotFoundError:
        try:
            with open_stored(backend, file) as flows:
                return int(pq.ParquetFile(flows).metadata.num_rows)
        except FileNotFoundError as error:
            raise StoreChanged(file.target) from error


@asked_again
def counted(backend: StorageBackend) -> int:
    total = 0
    with backend.reading():
        files = find_files(backend)
        for file in files:
            total += rows_of(backend, file)
        for day in find_kept_rollups(backend, files=files):
            for kept in day.rollups:
                with open_kept(backend, kept) as rollup:
                    total += told_by(rollup.read())[1]
    return total


@pytest.mark.parametrize("change", CHANGES)
def test_readers_one_after_another_count_each_flow_once(tmp_path: Path, change: str) -> None:
    store = tmp_path / "flows"
    backend = in_many_files(store, Sums())
    changed = threading.Event()

    def disturb() -> None:
        CHANGES[change](store)
        changed.set()

    changer = threading.Thread(target=disturb)
    changer.start()
    answers = [counted(backend)]
    while not changed.is_set():
        answers.append(counted(backend))
    changer.join()
    answers.append(counted(backend))
    assert set(answers) == {len(ALL)}


@pytest.mark.parametrize("change", CHANGES)
@pytest.mark.parametrize("opened", range(1, 25, 4))
def test_in_a_bucket_they_do_too_although_nobody_waits_for_them(
    tmp_path: Path, change: str, opened: int
) -> None:
    store = tmp_path / "flows"
    in_many_files(store, Sums())
    done: list[Any] = []
    bucket = like_a_bucket(store, opened, lambda: done.append(CHANGES[change](store)))
    assert counted(bucket) == len(ALL)
    assert len(done) == 1
