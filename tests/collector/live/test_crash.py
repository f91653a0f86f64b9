"""Kill -9 at any instant: what is in the spool gets into the store, once. `python -m tests.collector.live.test_crash 100`
does it a hundred times, and with `parts` behind it to segments that come in parts."""

from __future__ import annotations

import os
import random
import signal
import sys
import tempfile
import threading
import time
from contextlib import suppress
from pathlib import Path

import pyarrow.compute as pc
import pytest

from flowdiag import read_export
from flowdiag.collector.live.spool import CLOSED, OPEN, owner_of, segments, whole_packets
from tests.collector.live.fast_clock import FastClock
from tests.collector.live.running import FLOWS, Running, Sender, records_of, wait_until

EARLY = """
from flowdiag.collector.live import spool
spool.EARLY_OCTETS = 64 << 10
"""


class Load:
    """Sends without a pause until it is stopped."""

    def __init__(self, port: int) -> None:
        self._sender = Sender(port)
        self._going = True
        self._thread = threading.Thread(target=self._run)
        self._thread.start()

    def _run(self) -> None:
        while self._going:
            self._sender.send(20)
            time.sleep(0.005)

    def stop(self) -> None:
        self._going = False
        self._thread.join()
        self._sender.close()


class Copies:
    """Keeps every segment of a spool by a second name, from the moment it is begun."""

    def __init__(self, store: Path) -> None:
        self._spool = store / "_flowdiag" / "spool" / "0"
        self._copies = store.parent / "copies"
        self._copies.mkdir()
        self._going = True
        self._thread = threading.Thread(target=self._run)
        self._thread.start()

    def _run(self) -> None:
        while self._going:
            for number, path in [*segments(self._spool, OPEN), *segments(self._spool, CLOSED)]:
                with suppress(FileExistsError, FileNotFoundError):
                    os.link(path, self._copies / f"{number:012d}{CLOSED}")
            time.sleep(0.01)

    def stop(self) -> list[bytes]:
        """The whole packets of all segments, in order."""
        self._going = False
        self._thread.join()
        captures = [segment.path.read_bytes() for segment in segments(self._copies)]
        return [octets[: whole_packets(octets)] for octets in captures]


def crash_once(folder: Path, after_s: float, victim: str, *, parts: bool = False) -> int:
    """Runs a collector under load, kills it, starts another, and compares the store with what was in the spool.

    victim: "all" processes at once, or the "supervisor" alone; parts: whether segments come in parts, early ones of 64 KiB
    and one each two seconds, which are a minute. Gives the flow records.
    """
    store = folder / "store"
    copies = Copies(store)
    options = ["--segment", "10m"] if parts else []
    modules = FastClock(folder / "modules", 30.0, EARLY).modules if parts else None
    with Running(store, *options, modules=modules) as running:
        load = Load(running.port)
        running.wait_for("synced_total", 1)
        time.sleep(after_s)
        synced = running.metric("synced_total")
        if victim == "all":
            os.killpg(running.process.pid, signal.SIGKILL)
        else:
            os.kill(running.process.pid, signal.SIGKILL)  # the others see it, close the spool and end
        running.process.wait()
        wait_until(lambda: not _any_left(running.process.pid))
        load.stop()
    assert not parts or after_s < 2 or list(store.glob("_flowdiag/spool/0/*.parts"))
    with Running(store, *options, modules=modules) as running:
        wait_until(lambda: not segments(store / "_flowdiag" / "spool" / "0"), lambda: running.log)
        assert running.end() == 0, running.log
    spooled = records_of(copies.stop())
    assert spooled >= synced * FLOWS > 0
    flows = read_export(store)
    assert len(flows) == spooled
    assert pc.count_distinct(flows["octets"]).as_py() == spooled  # the flows of Sender differ in their octets
    return spooled


def _any_left(group: int) -> bool:
    try:
        os.killpg(group, 0)
    except ProcessLookupError:
        return False
    return True


@pytest.mark.parametrize(
    ("after_s", "victim"),
    [(0.31, "all"), (0.55, "all"), (0.83, "all"), (1.27, "all"), (0.71, "supervisor")],
)
def test_what_was_in_the_spool_is_in_the_store_once(tmp_path: Path, after_s: float, victim: str) -> None:
    crash_once(tmp_path, after_s, victim)


@pytest.mark.parametrize(
    ("after_s", "victim"), [(0.9, "all"), (2.3, "all"), (4.7, "all"), (3.1, "supervisor")]
)
def test_what_was_in_parts_of_a_segment_is_in_the_store_once(
    tmp_path: Path, after_s: float, victim: str
) -> None:
    crash_once(tmp_path, after_s, victim, parts=True)


def test_what_a_decoder_left_aside_when_it_died_goes_at_the_next_start(tmp_path: Path) -> None:
    """Or one that dies again and again would fill the disk; what others may be writing stays."""
    store = tmp_path / "store"
    with Running(store) as running:
        Sender(running.port).send(1)
        running.wait_for("synced_total", 1)
        running.kill()
    aside = store / "_flowdiag" / "aside"
    own, other = aside / f"{owner_of(store / '_flowdiag' / 'spool' / '0')}12", aside / "34"
    for folder in (own, other):
        folder.mkdir(parents=True)
        (folder / "0000.parquet").touch()
    with Running(store) as running:
        running.wait_for("swept_total", 1)
        assert running.end() == 0, running.log
    assert (own.exists(), other.exists()) == (False, True)


def by_hand(times: int, *, parts: bool) -> None:
    chance = random.Random(1)
    for number in range(times):
        after_s, victim = chance.uniform(0.2, 2.5), chance.choice(["all", "all", "all", "supervisor"])
        with tempfile.TemporaryDirectory() as folder:
            spooled = crash_once(Path(folder), after_s * (2.5 if parts else 1.0), victim, parts=parts)
        print(
            f"{number + 1}: {victim} killed after {after_s:.2f} s, {spooled:,} records, all there, once",
            flush=True,
        )


if __name__ == "__main__":
    by_hand(int(sys.argv[1]), parts=sys.argv[2:] == ["parts"])
