"""What a collector makes is for its owner and the owner's group, whatever the umask."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.collector.live.running import FLOWS, Running, Sender
from tests.collector.modes import modes_below, umask


@pytest.mark.parametrize("mask", [0, 0o077], ids=oct)
def test_store_spool_and_what_is_known_of_exporters(tmp_path: Path, mask: int) -> None:
    made = tmp_path / "made"
    with umask(mask):
        running = Running(made / "store", "--spool", str(made / "spool"), log=tmp_path / "log")
    with running:
        sender = Sender(running.port)
        sender.send(5)
        running.wait_for("records_total", 5 * FLOWS)
        sender.send(5)
        running.wait_for("synced_total", 10)
        spool = made / "spool" / "0"
        assert list(spool.glob("*.told"))
        assert modes_below(made) == {"folders": {0o750}, "files": {0o640}}
