"""A disk that fills up: decoding stops, what there is stays, it is said, and all goes on when there is room again."""

from __future__ import annotations

import os
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

from flowdiag import read_export
from tests.collector.live.running import FLOWS, Running, Sender, wait_until

SIZE = 256 << 20
LEFT = 4 << 20  # far below the reserve of the default segment


@pytest.fixture
def disk(tmp_path: Path) -> Iterator[Path]:
    """A small filesystem of its own, which takes the rights of an administrator."""
    folder = tmp_path / "disk"
    folder.mkdir()
    subprocess.run(["mount", "-t", "tmpfs", "-o", f"size={SIZE}", "none", str(folder)], check=True)
    yield folder
    subprocess.run(["umount", "--lazy", str(folder)], check=True)


def test_a_full_disk_is_said_loses_nothing_that_was_kept_and_goes_on_with_room(disk: Path) -> None:
    filler = disk / "of another program"
    with Running(disk / "store") as running:
        sender = Sender(running.port)
        sender.send(100)
        running.wait_for("records_total", 100 * FLOWS)
        with filler.open("wb") as file:
            os.posix_fallocate(file.fileno(), 0, os.statvfs(disk).f_bavail * os.statvfs(disk).f_frsize - LEFT)
        wait_until(lambda: "the spool cannot be written" in running.log, lambda: running.log)
        sender.send(100)
        running.wait_for("unspooled_total", 1)  # counted, not silent
        assert running.metric("healthy") == 0
        assert len(read_export(disk / "store")) == 100 * FLOWS

        filler.unlink()
        wait_until(lambda: running.metric("healthy") == 1, lambda: running.log)
        refused, kept = running.metric("unspooled_total"), running.metric("spooled_total")
        assert refused + kept == 200
        sender.send(100)
        running.wait_for("records_total", (kept + 100) * FLOWS)
        assert running.end() == 0, running.log
    flows = read_export(disk / "store")
    assert len(flows) == (kept + 100) * FLOWS
