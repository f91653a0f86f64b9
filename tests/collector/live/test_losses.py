"""What is lost is counted and said; what is not lost is not lost at the end, or over a restart, either."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
from pathlib import Path

import pytest

from flowdiag import read_export
from tests.collector.decode.wire import a_set, flow, ipfix, with_template
from tests.collector.live.running import FLOWS, Running, Sender, wait_until


def test_what_the_kernel_drops_is_counted_and_so_is_the_same_loss_by_its_sequence_numbers(
    tmp_path: Path,
) -> None:
    store = tmp_path / "store"
    with Running(store, "--buffer", "256KiB") as running:
        sender = Sender(running.port)
        sender.send(10)
        running.wait_for("records_total", 10 * FLOWS)
        with running.busy():
            sender.send(2_000)
        running.wait_for("kernel_drops_total", 1)
        sender.send(10)
        wait_until(lambda: running.metric("datagrams_total") + running.metric("kernel_drops_total") == 2_020)
        dropped = running.metric("kernel_drops_total")
        assert 0 < dropped < 2_000
        assert f"{dropped:,} datagrams were dropped by the kernel" in running.log
        running.wait_for("records_total", (2_020 - dropped) * FLOWS)
        assert running.end() == 0
        ended = running.log.splitlines()[-1]
        assert f"{dropped:,} dropped, {dropped * FLOWS:,} records lost before" in ended
    assert len(read_export(store)) == (2_020 - dropped) * FLOWS


def test_records_that_an_exporter_sent_and_nobody_received_are_said(tmp_path: Path) -> None:
    with Running(tmp_path / "store") as running:
        sender = Sender(running.port)
        sender.send(10)
        for _ in range(7):
            sender.message()  # lost on its way
        sender.send(40)
        running.wait_for("datagrams_total", 50)
        assert running.end() == 0
        assert f"{7 * FLOWS} flow records were lost on their way" in running.log
        ended = running.log.splitlines()[-1]
        assert f"0 dropped, {7 * FLOWS} records lost before" in ended


def test_what_the_kernel_holds_when_the_end_is_asked_for_is_taken(tmp_path: Path) -> None:
    store = tmp_path / "store"
    with Running(store) as running:
        datagrams, stream = Sender(running.port), Sender(running.port, kind=socket.SOCK_STREAM)
        stream.send(1)
        running.wait_for("connections", 1)
        with running.busy():
            datagrams.send(1_500)  # more than a batch
            stream.send(400)  # more than is read at a time
            running.process.send_signal(signal.SIGTERM)
        assert running.end() == 0
    assert len(read_export(store)) == (1_500 + 401) * FLOWS


@pytest.mark.parametrize("how", ["end", "kill"])
def test_templates_are_known_after_a_restart(tmp_path: Path, how: str) -> None:
    store = tmp_path / "store"
    with Running(store) as running, socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as exporter:
        exporter.sendto(ipfix(with_template(), a_set(256, flow(1))), ("127.0.0.1", running.port))
        running.wait_for("records_total", 1)
        port = exporter.getsockname()[1]
        assert running.end() == 0 if how == "end" else running.kill() is None
    again = Running(store, listen=f"127.0.0.1:{running.port}")
    with again as running, socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as exporter:
        exporter.bind(("127.0.0.1", port))
        exporter.sendto(ipfix(a_set(256, flow(2), flow(3)), sequence=1), ("127.0.0.1", running.port))
        running.wait_for("datagrams_total", 1)
        assert running.end() == 0
    assert len(read_export(store)) == 3


def test_a_log_that_cannot_be_written_ends_nothing(tmp_path: Path) -> None:
    """Logs often lie on the disk that is full."""
    words = [
        "collect",
        "--listen",
        "127.0.0.1:0",
        "--store",
        str(tmp_path / "store"),
        "--metrics-port",
        "none",
    ]
    spool = tmp_path / "store" / "_flowdiag" / "spool" / "0"
    with open("/dev/full", "wb") as full:
        process = subprocess.Popen(
            [sys.executable, "-c", "from flowdiag.cli.main import main; main()", *words], stderr=full
        )
    try:
        wait_until(lambda: spool.is_dir() or process.poll() is not None)
        os.kill(process.pid, signal.SIGTERM)
        assert process.wait(30) == 0
    finally:
        process.kill()
        process.wait()
