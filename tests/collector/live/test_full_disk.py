"""When the disk is full, decoding stops, what is in the spool stays, it is said, and work goes on when there is room."""

from __future__ import annotations

from pathlib import Path

from tests.collector.live.apart import told_apart
from tests.collector.live.running import FLOWS


def test_a_disk_that_is_full_costs_nothing_that_was_spooled(tmp_path: Path) -> None:
    seen = told_apart("collector.live.full_disk", tmp_path)
    meanwhile = seen["meanwhile"]
    assert meanwhile["free"] == 0
    assert (meanwhile["spooled"], meanwhile["records"]) == (100, 0)
    status, text = meanwhile["health"]
    assert status == 503
    for wrong in ("the spool cannot be written: less than 8 MiB are free", "decoding waits"):
        assert wrong in text
        assert wrong in meanwhile["said"]
    assert "50 datagrams were lost: nothing could be written to the spool" in seen["said"]
    assert "over: the spool cannot be written" in seen["said"]
    assert "over: decoding waits" in seen["said"]
    # What came by stream waited with its sender; of what came by datagram, what the disk had room for is there.
    assert seen["counts"] == {"datagrams": 210, "spooled": 160, "unspooled": 50}
    assert (seen["code"], seen["stored"]) == (0, 160 * FLOWS)
