"""The desk as a service: health, logs, its end, and the unit that runs it."""

from __future__ import annotations

import re
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path

import psutil
import pytest

from flowdiag.cli.desk import command as desk_command
from flowdiag.errors import FlowdiagError
from tests.desk.conftest import StoreAndSites
from tests.desk.running import RunningDesk

UNIT = Path(__file__).parents[2] / "docs" / "flowdiag-desk.service"
MOST_EXPOSED = 15  # of systemd's score in tenths: 0 may do nothing, 100 everything


def started(folder: Path, given: StoreAndSites) -> RunningDesk:
    return RunningDesk(folder, "--store", given.store, "--sites", given.sites, "--state", folder / "state")


def test_health_tells_anyone_whether_there_are_answers_and_nothing_else(
    tmp_path: Path, store_and_sites: StoreAndSites
) -> None:
    with started(tmp_path, store_and_sites) as desk, desk.signed_in() as client:
        desk.wait_until_healthy()
        answer = client.get("/health", headers={"Cookie": ""})
        assert set(answer.json()) == {"status"}


def test_every_request_is_one_line_of_the_log_without_what_was_asked(
    tmp_path: Path, store_and_sites: StoreAndSites
) -> None:
    with started(tmp_path, store_and_sites) as desk, desk.signed_in() as client:
        client.get("/", params={"find": "a private word"})
        asked = desk.wait_for_line("/")
        lines = desk.log
    assert asked["status"] == 200
    assert asked["method"] == "GET"
    assert asked["octets"] > 1000
    assert "private" not in str(lines)
    assert "once=" not in str(lines)


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_it_ends_when_told_and_leaves_no_process(
    tmp_path: Path, store_and_sites: StoreAndSites, number: signal.Signals
) -> None:
    with started(tmp_path, store_and_sites) as desk:
        desk.wait_until_healthy()
        children = psutil.Process(desk.pid).children(recursive=True)
        assert len(children) >= 2
        began = time.monotonic()
        assert desk.end(number) == 0
        assert time.monotonic() - began < 25  # it gives what runs ten seconds
        _, alive = psutil.wait_procs(children, timeout=10)
        assert alive == []


def test_who_waits_for_an_answer_gets_it_before_the_end(
    tmp_path: Path, store_and_sites: StoreAndSites
) -> None:
    with started(tmp_path, store_and_sites) as desk, desk.signed_in() as client:
        got: list[int] = []
        question = "/sites/corner/note?from=2026-03-03T00:00&to=2026-03-03T06:00"
        asking = threading.Thread(target=lambda: got.append(client.get(question).status_code))
        asking.start()
        time.sleep(0.2)
        desk.end()
        asking.join(20)
        assert got in ([303], [202])  # the note, or the page that waits for it


def test_killed_workers_are_replaced(tmp_path: Path, store_and_sites: StoreAndSites) -> None:
    with started(tmp_path, store_and_sites) as desk:
        desk.wait_until_healthy()
        workers = [
            process
            for process in psutil.Process(desk.pid).children(recursive=True)
            if process.ppid() != desk.pid
        ]
        assert workers
        for process in workers:
            process.kill()
        psutil.wait_procs(workers, timeout=10)
        desk.wait_until_healthy()


def test_a_port_that_is_taken_is_said_in_one_line(tmp_path: Path, store_and_sites: StoreAndSites) -> None:
    with started(tmp_path, store_and_sites) as desk:
        port = desk.url.rpartition(":")[2]
        given = {
            "--store": store_and_sites.store,
            "--sites": store_and_sites.sites,
            "--state": tmp_path / "other",
        }
        words = [str(word) for pair in given.items() for word in pair] + ["--listen", f"127.0.0.1:{port}"]
        said = subprocess.run(
            [sys.executable, "-c", "from flowdiag.cli.main import main; main()", "desk", *words],
            capture_output=True, text=True, timeout=60,
        )  # fmt: skip
    assert said.returncode == 1
    assert said.stderr.count("\n") == 1
    assert f"cannot listen on 127.0.0.1 port {port}" in said.stderr


def test_the_unit_may_do_little() -> None:
    words = [
        "systemd-analyze",
        "security",
        "--offline=true",
        "--no-pager",
        f"--threshold={MOST_EXPOSED}",
        UNIT,
    ]
    judged = subprocess.run(list(map(str, words)), capture_output=True, text=True)
    assert judged.returncode == 0, judged.stdout[-200:] + judged.stderr


def test_systemd_understands_every_line_of_the_unit(tmp_path: Path) -> None:
    unit = tmp_path / UNIT.name
    written = re.sub(r"^ExecStart=\S+", "ExecStart=/bin/true", UNIT.read_text("utf-8"), flags=re.MULTILINE)
    unit.write_text(written)
    verified = subprocess.run(["systemd-analyze", "verify", str(unit)], capture_output=True, text=True)
    assert [line for line in verified.stderr.splitlines() if UNIT.name in line] == []


def test_without_its_packages_it_says_how_to_get_them(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("importlib.util.find_spec", lambda name: None)
    with pytest.raises(FlowdiagError, match=r"pip install .flowdiag\[desk\]"):
        desk_command.callback(None, None, None, "127.0.0.1:0", None, None)  # type: ignore[misc]
