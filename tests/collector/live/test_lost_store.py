"""A store that is read-only or gone stops decoding and nothing else; a spool that is gone is said, and what it costs."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Any

from flowdiag import read_export
from tests.collector.live.apart import told_apart
from tests.collector.live.full_disk import health
from tests.collector.live.lost_store import store_with_leftover
from tests.collector.live.running import FLOWS, Running, Sender, wait_until


def test_a_store_that_is_read_only_or_gone_costs_nothing_and_is_said(tmp_path: Path) -> None:
    seen: dict[str, Any] = told_apart("collector.live.lost_store", tmp_path)
    for state, spooled, reason in (
        ("read-only", 40, "Read-only file system"),
        ("gone", 60, "there is no flow store"),
    ):
        told = seen[state]
        status, text = told["health"]
        assert status == 503
        assert "decoding waits" in text
        assert reason in text
        # What came is kept, and nothing of it is in the store.
        counts = (told["spooled"], told["unspooled"], told["records"])
        assert counts == (spooled, 0, (spooled - 20) * FLOWS)
    store = tmp_path / "store"
    unusable = (
        f"flowdiag: {store}: the store cannot be used (Read-only file system); check the path, its permissions and the "
        "space left\n"
    )
    none = f"flowdiag: {store}: there is no flow store; check the path, and that its disk is mounted\n"
    assert (seen["read-only"]["ask"], seen["read-only"]["add"]) == ([0, ""], [1, unusable])
    assert seen["gone"]["merge"] == [1, none]
    code, line = seen["gone"]["ask"]
    assert (code, line.count("\n")) == (1, 1)
    assert line.startswith(f"flowdiag: {store}: ")
    assert seen["left in its place"] == []
    assert seen["said"].count("over: decoding waits") == 2
    assert (seen["code"], seen["stored"]) == (0, 80 * FLOWS)


def test_a_store_that_is_moved_away_with_its_spool_is_said_and_goes_on_when_it_is_back(
    tmp_path: Path,
) -> None:
    store, away = tmp_path / "store", tmp_path / "away"
    left = store_with_leftover(store)
    with Running(store) as running:
        running.wait_for("swept_total", 1)
        assert not left.exists()
        sender = Sender(running.port)
        sender.send(10)
        running.wait_for("records_total", 10 * FLOWS)
        shutil.move(store, away)
        wait_until(lambda: "the spool cannot be written: No such file or directory" in health(running)[1])
        sender.send(15)
        running.wait_for("unspooled_total", 15)
        assert not store.exists()
        shutil.move(away, store)
        wait_until(lambda: health(running)[0] == 200, lambda: running.log)
        sender.send(10)
        running.wait_for("records_total", 20 * FLOWS)
        assert running.end() == 0
        assert "15 datagrams were lost: nothing could be written to the spool" in running.log
    assert len(read_export(store)) == 20 * FLOWS


def test_a_spool_whose_files_are_removed_is_begun_anew_and_what_was_in_it_is_counted(tmp_path: Path) -> None:
    store = tmp_path / "store"
    with Running(store, "--segment", "60s") as running:
        sender = Sender(running.port)
        sender.send(12)
        running.wait_for("synced_total", 12)
        shutil.rmtree(store / "_flowdiag" / "spool" / "0")
        running.wait_for("unspooled_total", 12)
        wait_until(lambda: health(running)[0] == 200, lambda: running.log)
        sender.send(100)
        running.wait_for("synced_total", 100)
        assert running.end() == 0
        assert "12 datagrams were lost" in running.log
    assert len(read_export(store)) == 100 * FLOWS
