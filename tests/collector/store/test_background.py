"""Roll-ups are made in a thread beside: in order, within a bound, and nothing waits for ever."""

from __future__ import annotations

import threading
import time
from pathlib import Path

import pyarrow as pa
import pytest
from msgspec import Struct

from flowdiag.collector.report import ExportReport
from flowdiag.collector.store import writer
from flowdiag.collector.store.background import MOST_WAITING, Background
from flowdiag.collector.store.changes import make_store
from flowdiag.collector.store.opening import open_backend
from flowdiag.collector.store.writer import FlowWriter
from tests.collector.store.building import DAY, START, batch, content, files_in, flow


def threads() -> list[threading.Thread]:
    return [thread for thread in threading.enumerate() if thread.name.startswith("roll-up")]


def test_steps_are_done_in_order_by_one_thread_that_ends() -> None:
    background, done = Background(), list[tuple[int, str]]()
    for number in range(50):
        background.do(lambda number=number: done.append((number, threading.current_thread().name)))  # type: ignore[misc]
    assert background.given(lambda: len(done)) == 50
    assert [number for number, _ in done] == list(range(50))
    assert {name for _, name in done} == {threads()[0].name}
    assert len(threads()) == 1
    background.close()
    assert threads() == []
    background.close()


def test_no_more_steps_wait_than_there_is_memory_for() -> None:
    background, go_on, began = Background(), threading.Event(), list[int]()

    def ask() -> None:
        for number in range(20):
            background.do(go_on.wait)
            began.append(number)

    asking = threading.Thread(target=ask)
    asking.start()
    time.sleep(0.2)
    assert len(began) == MOST_WAITING + 1
    go_on.set()
    asking.join(10)
    assert len(began) == 20
    background.close()


def test_what_a_step_raises_comes_out_at_the_next() -> None:
    failed = threading.Event()

    def fails() -> None:
        failed.set()
        raise KeyError("no")

    background = Background()
    background.do(fails)
    with pytest.raises(KeyError):
        background.given(lambda: 1)
    failed.clear()
    background.do(fails)
    while not failed.is_set():
        time.sleep(0.001)
    time.sleep(0.05)
    with pytest.raises(KeyError):
        background.do(lambda: None)
    background.close()


class Slow(Struct, frozen=True):
    """Waits in each step until it may go on, and notes in which thread it works."""

    go_on: threading.Event
    seen: set[str]

    def begin(self, exporter: bytes) -> Slow:
        return self

    def add(self, flows: pa.Table) -> None:
        self.seen.add(threading.current_thread().name)
        self.go_on.wait(20)

    def finish(self, report: ExportReport | None, *, even_small: bool = False) -> bytes | None:
        self.seen.add(threading.current_thread().name)
        return b"roll-up"

    def is_sound(self, octets: bytes) -> bool:
        return True


def test_a_writer_of_many_files_has_one_thread(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(writer, "ROW_GROUP_ROWS", 2)
    slow = Slow(threading.Event(), set())
    slow.go_on.set()
    backend = open_backend(tmp_path / "flows")
    make_store(backend)
    writing = FlowWriter(backend, content("1").digest, START, roller=slow)
    for number in range(3):
        writing.add(batch(*(flow(number, START + day * DAY) for day in range(100) for _ in range(2))))
        assert len(threads()) == 1
    files = writing.finish()
    assert len(files) > 100
    assert all(file.rollup is not None for file in files)
    assert len(slow.seen) == 1
    assert threads() == []
    writing.discard()


def test_what_is_discarded_is_not_waited_for(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Rows that wait for their roll-up are left; the step in hand is ended."""
    monkeypatch.setattr(writer, "ROW_GROUP_ROWS", 1)
    slow = Slow(threading.Event(), set())
    backend = open_backend(tmp_path / "flows")
    make_store(backend)
    writing = FlowWriter(backend, content("1").digest, START, roller=slow)
    for number in range(MOST_WAITING + 1):
        writing.add(batch(flow(number)))
    threading.Timer(0.1, slow.go_on.set).start()
    began = time.monotonic()
    writing.discard()
    assert time.monotonic() - began < 10
    assert threads() == []
    assert files_in(tmp_path / "flows") == []
    assert not list((tmp_path / "flows" / "_flowdiag" / "aside").rglob("*.*"))
