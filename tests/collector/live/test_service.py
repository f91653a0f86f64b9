"""The collector under a service manager, and what watches it."""

from __future__ import annotations

import re
import socket
import subprocess
import time
from contextlib import ExitStack
from pathlib import Path

import pytest
from prometheus_client.parser import text_string_to_metric_families

from flowdiag.collector.live.answering import MAX_CLIENTS
from tests.collector.live.running import FLOWS, Running, Sender

UNIT = Path(__file__).parents[3] / "docs" / "flowdiag-collect.service"
# systemd's score in tenths: 0 may do nothing, 100 everything; below 20 it says "OK".
MOST_EXPOSED = 15


def test_the_unit_may_do_little() -> None:
    words = [
        "systemd-analyze",
        "security",
        "--offline=true",
        "--no-pager",
        f"--threshold={MOST_EXPOSED}",
        str(UNIT),
    ]
    judged = subprocess.run(words, capture_output=True, text=True)
    assert judged.returncode == 0, judged.stdout[-200:] + judged.stderr


def test_systemd_understands_every_line_of_the_unit(tmp_path: Path) -> None:
    unit = tmp_path / UNIT.name
    unit.write_text(
        re.sub(r"^ExecStart=\S+", "ExecStart=/bin/true", UNIT.read_text("utf-8"), flags=re.MULTILINE)
    )
    verified = subprocess.run(["systemd-analyze", "verify", str(unit)], capture_output=True, text=True)
    about_it = [line for line in verified.stderr.splitlines() if UNIT.name in line]
    assert about_it == []


def test_the_service_manager_is_told_that_it_is_ready_alive_and_how_it_is(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(str(tmp_path / "notify"))
        manager.settimeout(30)
        monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "notify"))
        with Running(tmp_path / "store") as running:
            assert manager.recv(4096) == b"READY=1"
            Sender(running.port).send(3)
            while "3 datagrams" not in (told := manager.recv(4096).decode()):
                assert told.startswith("WATCHDOG=1\nSTATUS=0 datagrams")


def test_who_stalls_at_the_metrics_holds_up_neither_others_nor_the_end(tmp_path: Path) -> None:
    with Running(tmp_path / "store") as running, ExitStack() as stack:
        for _ in range(MAX_CLIENTS):
            stalled = stack.enter_context(socket.create_connection(("127.0.0.1", running.metrics_port)))
            stalled.sendall(b"GET /metrics HTTP/1.1\r\n")
        Sender(running.port).send(20)
        running.wait_for("datagrams_total", 20)
        began = time.monotonic()
        assert running.end() == 0
        assert time.monotonic() - began < 10
        assert f"{20 * FLOWS:,} records stored" in running.log.splitlines()[-1]


def test_counters_are_in_prometheus_text_format_and_on_loopback_only(tmp_path: Path) -> None:
    with Running(tmp_path / "store", listen="0.0.0.0:0") as running:
        Sender(running.port).send(20)
        running.wait_for("records_total", 20 * FLOWS)
        families = {family.name: family for family in text_string_to_metric_families(running.get("/metrics"))}
        assert families["flowdiag_collect_records"].type == "counter"
        (exporter,) = families["flowdiag_collect_exporter_datagrams"].samples
        assert (exporter.labels, exporter.value) == ({"exporter": "127.0.0.1"}, 20.0)
        listening = Path(f"/proc/{running.process.pid}/net/tcp").read_text()
        at = re.findall(rf"([0-9A-F]{{8}}):{running.metrics_port:04X} 00000000:0000 0A", listening)
        assert at == ["0100007F"]
