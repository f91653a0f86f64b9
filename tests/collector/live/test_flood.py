"""Neighbours that forge exporters without end cost an honest exporter nothing. Run as a user runs it, over loopback."""

from __future__ import annotations

import os
import random
import socket
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from flowdiag import read_export
from flowdiag.addresses import to_bytes
from flowdiag.collector.live.kept import FOLDER
from tests.collector.decode.wire import FLOW_FIELDS, a_set, flow, ipfix, template, with_template
from tests.collector.live.running import FLOWS, Running, Sender, wait_until

# More than there are places for newcomers, and than a day lets in; 2,300 are in test_earning.py.
SOURCES = 700
MAX_MIB = 700
Forge = Callable[[int], bytes]


class Honest(Sender):
    """Tells its template once, with the first message."""

    def __init__(self, port: int) -> None:
        super().__init__(port)
        self.records = 0

    def message(self) -> bytes:
        sets = [with_template()] if not self.records else []
        octets = ipfix(
            *sets, a_set(256, *map(flow, range(self.records, self.records + FLOWS))), sequence=self.records
        )
        self.records += FLOWS
        return octets


def data_without_template(number: int) -> bytes:
    return ipfix(a_set(256, flow(number)), sequence=number)


def one_record(number: int) -> bytes:
    return ipfix(with_template(), a_set(256, flow(number)))


def templates(number: int) -> bytes:
    ids = range(256 + number % 100 * 30, 286 + number % 100 * 30)
    return ipfix(a_set(2, *(template(one, FLOW_FIELDS) for one in ids)), domain=number)


def garbage(number: int) -> bytes:
    return b"\0\x0a\0\x40" + random.Random(number).randbytes(60)


FORGED: list[Forge] = [data_without_template, one_record, templates, garbage]


def forge(port: int, number: int, octets: bytes) -> None:
    """A datagram from an address of loopback that nobody else has."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as forged:
        forged.bind((f"127.{1 + number // 62_500}.{number // 250 % 250}.{1 + number % 250}", 0))
        forged.sendto(octets, ("127.0.0.1", port))


def mebioctets(running: Running) -> float:
    """Resident memory of all its processes."""
    pages = 0
    for pid in [running.process.pid, *running.workers()]:
        pages += int(Path(f"/proc/{pid}/statm").read_text().split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / (1 << 20)


def stored(running: Running) -> int:
    """Flow records of the honest exporter in the store."""
    return sum(who == to_bytes("127.0.0.1") for who in read_export(running.store)["exporter"].to_pylist())


def segments_in(running: Running) -> int:
    return running.metric("segments_total") + running.metric("known_total")


def until_decoded(running: Running) -> None:
    sent = segments_in(running)
    wait_until(lambda: running.metric("waiting_segments") == 0 and segments_in(running) > sent)


@pytest.fixture
def running(tmp_path: Path) -> Iterator[Running]:
    with Running(tmp_path / "store") as collector:
        yield collector


@pytest.mark.parametrize("forged", FORGED, ids=lambda forged: forged.__name__)
def test_an_exporter_that_is_known_loses_nothing_to_forged_ones(running: Running, forged: Forge) -> None:
    honest = Honest(running.port)
    honest.send(20, 0.002)
    running.wait_for("records_total", honest.records)
    for number in range(SOURCES):
        forge(running.port, number, forged(number))
        if number % 5 == 0:
            honest.send(1)
    until_decoded(running)
    honest.send(20, 0.002)
    until_decoded(running)
    memory = mebioctets(running)
    assert running.end() == 0
    assert stored(running) == honest.records
    assert memory < MAX_MIB


def test_what_happens_to_forged_ones_is_counted_and_said_and_health_is_not_ok(running: Running) -> None:
    for number in range(600):
        forge(running.port, number, data_without_template(number))
    running.wait_for("kept_total", 600)
    assert running.metric("kept_segments") >= 1
    assert running.metric("forgotten_total") == 600 - 256
    line = "messages were kept in the spool until their template comes"
    wait_until(lambda: line in running.log)
    assert "exporters were forgotten" in running.log
    assert line in running.unhealthy()


def test_data_before_its_template_is_in_the_store_after_a_restart(tmp_path: Path) -> None:
    store = tmp_path / "store"
    with Running(store) as running:
        sender = Sender(running.port)
        sender.sent = 1  # the template comes with the hundredth
        sender.send(50)
        port = sender.socket.getsockname()
        sender.close()
        running.wait_for("kept_total", 50)
        assert len(list((store / "_flowdiag/spool/0" / FOLDER).glob("*.pcap"))) >= 1
        listen = f"127.0.0.1:{running.port}"
        assert running.end() == 0
    with Running(store, listen=listen) as running:
        again = Sender(running.port)
        again.socket.close()
        again.socket = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        again.socket.bind(port)
        again.socket.connect(("127.0.0.1", running.port))
        again.send(1)
        running.wait_for("late_total", 50 * FLOWS)
        assert running.end() == 0
    assert len(read_export(store)) == 51 * FLOWS


def test_the_end_comes_within_ten_seconds_under_load_and_the_rest_at_the_next_start(tmp_path: Path) -> None:
    store = tmp_path / "store"
    with Running(store, "--segment", "30s", "--rate", "1000000") as running:
        honest = Honest(running.port)
        for number in range(6_000):
            honest.send(4)
            if number % 50 == 0:
                forge(running.port, number, templates(number))
            if number % 100 == 99:
                running.wait_for("synced_total", 0)
        wait_until(lambda: running.metric("synced_total") >= honest.records // FLOWS)
        lost = running.metric("kernel_drops_total")
        began = time.monotonic()
        assert running.end() == 0
        assert time.monotonic() - began < 10.0
    with Running(store) as running:
        until = store / "_flowdiag/spool/0"
        wait_until(lambda: not list(until.glob("*.pcap")), lambda: running.log)
        assert running.end() == 0
    assert stored(running) == honest.records - lost * FLOWS
