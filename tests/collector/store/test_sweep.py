"""What writers that died left in a store goes, what living ones write stays, and nothing is lost where that is mistaken."""

from __future__ import annotations

import os
import shutil
import time
from pathlib import Path

import pytest

from flowdiag.collector.store.adding import add_written
from flowdiag.collector.store.backends import StorageBackend
from flowdiag.collector.store.changes import ASIDE_FORGOTTEN_S, make_store, sweep
from flowdiag.collector.store.ingest import ingest
from flowdiag.collector.store.opening import open_backend
from flowdiag.collector.store.retention import retain
from flowdiag.collector.store.upkeep import compact
from flowdiag.collector.store.writer import FlowWriter, Written
from flowdiag.errors import StoreError
from tests.collector.store.building import FIRST_DAY, START, batch, content, flow, octets_in
from tests.collector.store.captures import exports
from tests.collector.store.test_crashes import Killed, Mortal

NOW = 1_772_500_000.0
LATER = NOW + ASIDE_FORGOTTEN_S + 1


@pytest.fixture
def backend(tmp_path: Path) -> StorageBackend:
    made = open_backend(tmp_path / "flows")
    make_store(made)
    return made


def left_aside(backend: StorageBackend, number: int, *times: float) -> list[Written]:
    """What a writer has written that wrote a file of one flow at each of these times and was not heard of any more."""
    writer = FlowWriter(backend, content(str(number)).digest, START)
    for count, _ in enumerate(times):
        writer.add(batch(flow(10 * number + count, START + 86_400_000 * count)))
    files = writer.finish()
    for written, at in zip(files, times, strict=True):
        os.utime(Path(backend.name) / written.aside, (at, at))
    return files


def asides(backend: StorageBackend) -> list[str]:
    return [path.name for path in (Path(backend.name) / "_flowdiag" / "aside").rglob("*") if path.is_file()]


def test_files_of_dead_writers_go_and_those_of_living_ones_stay(backend: StorageBackend) -> None:
    left_aside(backend, 1, NOW, NOW)
    left_aside(backend, 2, NOW, NOW, LATER - 60)  # its last file is a minute old
    assert sweep(backend, NOW + 60) == 0
    assert sweep(backend, LATER) == 2
    assert len(asides(backend)) == 3
    assert sweep(backend, LATER + LATER - NOW) == 3
    assert asides(backend) == []


def test_a_writer_that_comes_back_removes_what_it_left_at_once_and_nothing_of_others(
    backend: StorageBackend, tmp_path: Path
) -> None:
    mine, others = (open_backend(tmp_path / "flows", owner) for owner in ("1-0-", "1-1-"))
    left_aside(mine, 1, NOW, NOW)
    left_aside(others, 2, NOW)
    left_aside(backend, 3, NOW)
    assert sweep(open_backend(tmp_path / "flows", "1-0-"), NOW) == 2
    assert len(asides(backend)) == 2
    assert sweep(backend, NOW) == 0


def test_a_small_file_that_was_half_written_goes_too(backend: StorageBackend) -> None:
    aside = Path(backend.name) / "_flowdiag" / "aside"
    (aside / "0123").write_bytes(b'{"change"')
    os.utime(aside / "0123", (NOW, NOW))
    assert sweep(backend, LATER) == 1
    assert asides(backend) == []


@pytest.mark.parametrize("step_s", [-10 * 365 * 86_400, 10 * 365 * 86_400])
def test_a_clock_that_was_set_keeps_nothing_for_ever(backend: StorageBackend, step_s: int) -> None:
    left_aside(backend, 1, NOW)
    assert sweep(backend, NOW + step_s) == 1
    assert asides(backend) == []


def test_a_change_whose_writer_died_is_carried_out(backend: StorageBackend, tmp_path: Path) -> None:
    files = left_aside(backend, 1, NOW)
    mortal = Mortal(backend, 1)  # the journal is written, and nothing is moved any more
    with pytest.raises(Killed):
        add_written(mortal, [content("1")], files)  # type: ignore[arg-type]
    assert sweep(backend, LATER) == 0
    assert asides(backend) == []
    assert octets_in(tmp_path / "flows") == [10]


def test_a_living_writer_whose_files_were_swept_is_told_and_the_store_stays_sound(
    backend: StorageBackend, tmp_path: Path
) -> None:
    """As after the clock was set by days while it wrote."""
    files = left_aside(backend, 1, NOW)
    assert sweep(backend, LATER) == 1
    with pytest.raises(StoreError, match="have been removed since; run this again"):
        add_written(backend, [content("1")], files)
    assert add_written(backend, [content("1")], left_aside(backend, 1, LATER))
    assert octets_in(tmp_path / "flows") == [10]


def test_a_store_whose_disk_is_not_mounted_is_not_made_anew_in_its_place(tmp_path: Path) -> None:
    """An ingest that began before: the folder is there still, and empty."""
    paths = exports(tmp_path / "exports", 2, 312)
    store = tmp_path / "flows"
    ingest(paths[:1], store)
    backend = open_backend(store)
    files = left_aside(backend, 1, NOW)
    shutil.move(store, tmp_path / "unmounted")
    for there in (False, True):
        if there:
            store.mkdir()
        for change in (
            lambda: add_written(backend, [content("1")], files),
            lambda: sweep(backend, time.time()),
            lambda: compact(backend),
            lambda: retain(backend, 1, FIRST_DAY),
        ):
            with pytest.raises(StoreError, match="there is no flow store; check the path, and that its disk"):
                change()
    assert list(store.iterdir()) == []
    with pytest.raises(FileNotFoundError):
        open_backend(tmp_path / "gone").write("_flowdiag/store.json", b"{}")
    store.rmdir()
    shutil.move(tmp_path / "unmounted", store)
    assert add_written(backend, [content("1")], files)
    assert len(octets_in(store)) == 313
