"""File descriptors: the limit is raised, checked, and leaves what is no connection its own."""

from __future__ import annotations

import resource
import subprocess
import sys
from pathlib import Path

import pytest

from flowdiag.collector.live import descriptors
from flowdiag.collector.live.connections import MAX_CONNECTIONS
from flowdiag.errors import UsageError
from tests.collector.live.running import Running, limit_descriptors, wait_until


def test_the_limit_is_raised_to_the_hard_one_for_all_processes(tmp_path: Path) -> None:
    _, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    with Running(tmp_path / "store", "--workers", "2", descriptors=(256, 3_000)) as running:
        wait_until(lambda: len(running.workers()) == 4)
        for pid in (running.process.pid, *running.workers()):
            assert resource.prlimit(pid, resource.RLIMIT_NOFILE) == (3_000, 3_000)
        assert "file descriptors" not in running.log
    assert hard >= 3_000


def test_fewer_connections_than_there_might_be_are_said(tmp_path: Path) -> None:
    with Running(tmp_path / "store", descriptors=(400, 400)) as running:
        assert (
            f"400 file descriptors leave room for 270 connections of {MAX_CONNECTIONS:,} to a worker"
            in running.log
        )


def test_too_few_for_the_sockets_are_one_clear_error(tmp_path: Path) -> None:
    words = ["collect", "--listen", "127.0.0.1:0", "--store", str(tmp_path / "store"), "--workers", "20"]
    ended = subprocess.run(
        [sys.executable, "-c", "from flowdiag.cli.main import main; main()", *words],
        preexec_fn=lambda: limit_descriptors((64, 64)),
        capture_output=True,
        text=True,
        timeout=60,
    )
    assert ended.returncode == 2
    assert ended.stderr.splitlines()[-1] == (
        "flowdiag: 64 file descriptors are too few for 20 workers at 1 places; expected a limit of 328; "
        "raise it with ulimit -n, or LimitNOFILE in the unit"
    )
    assert not (tmp_path / "store").exists()


def test_what_sockets_and_files_need_is_left_of_any_limit() -> None:
    """By hand: 128 to spare, two sockets at each place."""
    assert descriptors.for_connections(1_024, addresses=1) == 894
    assert descriptors.for_connections(1_024, addresses=10) == 876
    assert descriptors.for_connections(100, addresses=1) == 0
    # 4 workers with 2 sockets at 3 places and 8 descriptors for their two processes: 56, and 128.
    descriptors.check(184, workers=4, addresses=3)
    with pytest.raises(UsageError, match="183 file descriptors are too few for 4 workers at 3 places"):
        descriptors.check(183, workers=4, addresses=3)
