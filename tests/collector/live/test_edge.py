"""The newest minute can be asked about soon after its end, whatever else is due. The system's clock runs thirty times as fast
as it should, so that a minute is two seconds; what counts is true seconds."""

from __future__ import annotations

import threading
import time
from collections import defaultdict
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from flowdiag.addresses import to_bytes
from flowdiag.collector.readers.stored_flows import StoredFlows
from flowdiag.collector.report import ExportReport
from flowdiag.collector.store.changes import make_store
from flowdiag.collector.store.opening import open_backend
from flowdiag.collector.store.reading import StoreReader
from tests.collector.live.fast_clock import FastClock
from tests.collector.live.running import FLOWS, Running, Sender
from tests.collector.store.building import add_stretch, batch, content, flow, report

pytestmark = pytest.mark.slow

FAST = 30.0
# The requirement; it takes one or two on an idle machine.
SOON_S = 15.0
EXPORTERS = ("127.0.1.1", "127.0.1.2")


class Honest:
    """Exporters that send each second of the fast clock. sent: by exporter and minute, the last record's number."""

    def __init__(self, clock: FastClock, port: int) -> None:
        self._clock = clock
        self.senders = {source: Sender(port, source=source) for source in EXPORTERS}
        self.sent: dict[str, dict[int, int]] = {source: {} for source in EXPORTERS}
        self._going = False

    def reach(self, port: int) -> None:
        """Another collector has taken the place of the first."""
        for sender in self.senders.values():
            sender.socket.connect(("127.0.0.1", port))

    @contextmanager
    def sending(self) -> Iterator[None]:
        self._going = True
        thread = threading.Thread(target=self._run)
        thread.start()
        try:
            yield
        finally:
            self._going = False
            thread.join()

    def _run(self) -> None:
        while self._going:
            for source, sender in self.senders.items():
                minute = self._clock.minute()
                sender.send(1)
                if self._clock.minute() == minute:  # else it may have come in either
                    self.sent[source][minute] = sender.sent * FLOWS
            time.sleep(1 / FAST)


def read(store: Path) -> dict[str, list[int]]:
    """The numbers of the records that a question gets, by exporter."""
    reader = StoreReader(open_backend(store), lambda _: None, columns=["octets"])
    numbers: dict[str, list[int]] = defaultdict(list)
    for source in EXPORTERS:
        for rows in reader.batches(StoredFlows(ExportReport()), [to_bytes(source)]):
            numbers[source] += [octets // 100 for octets in rows["octets"].to_pylist()]
    return numbers


def wait_for_minute(clock: FastClock, honest: Honest, store: Path, minute: int) -> None:
    """Until all that was sent up to the end of a minute can be read, which has to be soon after it."""
    while clock.since_end(minute) < 0:
        time.sleep(0.05)
    wanted = {source: max(n for m, n in sent.items() if m <= minute) for source, sent in honest.sent.items()}
    while True:
        late_s, there = clock.since_end(minute), read(store)
        missing = {source: set(range(last)) - set(there[source]) for source, last in wanted.items()}
        if not any(missing.values()):
            break
        assert late_s < SOON_S, missing
        time.sleep(0.1)


def all_there_once(honest: Honest, store: Path) -> None:
    there = read(store)
    for source, sender in honest.senders.items():
        assert sorted(there[source]) == list(range(sender.sent * FLOWS))


@pytest.mark.parametrize("segment", ["60s", "10m"])
def test_each_minute_can_be_read_soon_after_its_end(tmp_path: Path, segment: str) -> None:
    store, clock = tmp_path / "store", FastClock(tmp_path / "modules", FAST)
    with Running(store, "--segment", segment, modules=clock.modules) as running:
        honest = Honest(clock, running.port)
        with honest.sending():
            first = clock.minute()
            for minute in range(first, first + 3):
                wait_for_minute(clock, honest, store, minute)
            # A spool file still holds what --segment says.
            names = {path.name for path in store.glob("_flowdiag/spool/0/*")}
            assert ("000000000001.open" in names) is (segment == "10m")
        running.wait_for("datagrams_total", sum(sender.sent for sender in honest.senders.values()))
        assert running.end() == 0, running.log
    all_there_once(honest, store)
    assert not list(store.glob("_flowdiag/spool/0/*.p*"))


@pytest.mark.parametrize("segment", ["60s", "10m"])
def test_after_kill_9_and_a_new_start_the_next_minute_comes_as_soon(tmp_path: Path, segment: str) -> None:
    store, clock = tmp_path / "store", FastClock(tmp_path / "modules", FAST)
    with Running(store, "--segment", segment, modules=clock.modules) as running:
        honest = Honest(clock, running.port)
        with honest.sending():
            first = clock.minute()
            wait_for_minute(clock, honest, store, first)
            wait_for_minute(clock, honest, store, first + 1)
            time.sleep(1.0)
        running.wait_for("synced_total", sum(sender.sent for sender in honest.senders.values()))
        running.kill()
    before = sum(sender.sent for sender in honest.senders.values())
    with Running(store, "--segment", segment, modules=clock.modules) as running:
        honest.reach(running.port)
        with honest.sending():
            minute = clock.minute()
            wait_for_minute(clock, honest, store, minute)
            wait_for_minute(clock, honest, store, minute + 1)
        running.wait_for("datagrams_total", sum(sender.sent for sender in honest.senders.values()) - before)
        assert running.end() == 0, running.log
    all_there_once(honest, store)


# The upkeep is due soon, and may not have another priority, as under a service manager that forbids it.
SOON_DUE = """
import os
from flowdiag.collector.live import housekeeping
housekeeping.FIRST_S = 1.0
def refuse(_):
    raise PermissionError
os.nice = refuse
"""


def test_a_store_of_many_files_is_merged_meanwhile(tmp_path: Path) -> None:
    store, clock = tmp_path / "store", FastClock(tmp_path / "modules", FAST, SOON_DUE)
    backend = open_backend(store)
    make_store(backend)
    others = [to_bytes(f"192.0.2.{number}") for number in range(1, 4)]
    for exporter in others:
        for number in range(20):
            name = f"{exporter!r} {number}"
            flows = batch(flow(1, exporter=exporter))
            assert add_stretch(backend, content(name), [flows], report(1, exporter=exporter))
    with Running(store, "--segment", "10m", modules=clock.modules) as running:
        honest = Honest(clock, running.port)
        with honest.sending():
            first = clock.minute()
            for minute in range(first, first + 2):
                wait_for_minute(clock, honest, store, minute)
            running.wait_for("merged_total", len(others))
            wait_for_minute(clock, honest, store, clock.minute())
        assert "upkeep" not in running.log
        running.wait_for("datagrams_total", sum(sender.sent for sender in honest.senders.values()))
        assert running.end() == 0, running.log
    all_there_once(honest, store)
