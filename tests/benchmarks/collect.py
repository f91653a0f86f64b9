"""What one worker of the live collector sustains, on loopback: `python -m tests.benchmarks.collect`.

`flowdiag collect` runs with its defaults as a user runs it; exporters in a process of their own send it datagrams of 24
records at an even pace (collect_sender.py). Two runs: at the first rate nothing may be dropped and everything has to be
spooled, while the decoder gets on as fast as it can; at the second, which is that of the records it has to manage, what
waits for the decoder must not grow. Counts are the collector's own metrics, at the end those of the store's files.

`--edge` measures how long after the end of each minute all that was sent in it can be read (collect_edge.py).
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any, Final, NamedTuple

import pyarrow.parquet as pq

from flowdiag.collector.live.settings import SEGMENT_OCTETS
from flowdiag.collector.live.spool import segments
from flowdiag.scenario.bulk import PER_MESSAGE
from tests.benchmarks.collect_edge import EDGE_DATAGRAMS, MINUTES_S, edge
from tests.benchmarks.measuring import verdict
from tests.collector.live.running import Running, wait_until

DATAGRAMS: Final = 40_000
RECORDS: Final = 600_000
# One segment is decoded while the next one fills, and a third has just been closed.
MAX_WAITING: Final = 2 * SEGMENT_OCTETS / 1e6
_LOOK_S: Final = 0.5
_TICKS: Final = os.sysconf("SC_CLK_TCK")


class Look(NamedTuple):
    """The collector at one moment. at: seconds; waiting: octets for the decoder; busy: its processes' processor seconds."""

    at: float
    records: int
    waiting: int
    busy: tuple[float, ...]


def look(running: Running) -> Look:
    records, waiting = running.metric("records_total"), running.metric("waiting_octets")
    return Look(time.monotonic(), records, waiting, tuple(map(_busy, running.workers())))


def _busy(pid: int) -> float:
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / _TICKS


def decoding_rate(looks: list[Look]) -> float:
    """Records a second, from the moment one segment is in the store to that of the last one."""
    news = [now for before, now in zip(looks, looks[1:], strict=False) if now.records > before.records]
    if len(news) < 2:
        return 0.0
    return (news[-1].records - news[0].records) / (news[-1].at - news[0].at)


def watched(running: Running, options: list[str]) -> tuple[list[Look], dict[str, Any]]:
    """Looks at a collector while exporters send to it, and what these say of themselves."""
    words = [sys.executable, "-m", "tests.benchmarks.collect_sender", str(running.port), *options]
    with subprocess.Popen(words, stdout=subprocess.PIPE, text=True) as sender:
        looks = []
        while sender.poll() is None:
            looks.append(look(running))
            time.sleep(_LOOK_S)
        assert sender.stdout is not None
        return looks, json.loads(sender.stdout.read())


def measure(folder: Path, rate: int, seconds: float, exporters: int) -> tuple[float, float, int]:
    """One run; prints its figures. Gives the decoder's records a second, the most megabytes that waited for it in the
    second half, and the datagrams that are missing anywhere."""
    store = folder / f"store-{rate}"
    options = ["--rate", str(rate), "--seconds", str(seconds), "--exporters", str(exporters)]
    with Running(store, "--segment", "60s", "--sync", "1s") as running:
        looks, told = watched(running, options)
        sent, took = int(told["sent"]), told["seconds"]
        wait_until(lambda: running.metric("synced_total") + running.metric("kernel_drops_total") >= sent)
        drops, spooled = running.metric("kernel_drops_total"), running.metric("spooled_total")
        ending = time.monotonic()
        code = running.end()
        ended = time.monotonic() - ending
    assert code == 0, running.log
    with Running(store) as running:  # what waited at the end
        wait_until(lambda: not segments(store / "_flowdiag" / "spool" / "0"), lambda: running.log)
        assert running.end() == 0
    stored = sum(pq.read_metadata(path).num_rows for path in store.rglob("*.parquet"))
    waiting = max(one.waiting for one in looks[len(looks) // 2 :]) / 1e6
    receiver, decoder = (now / took for now in looks[-1].busy)
    print(f"sent       {sent:>12,} datagrams by {exporters} exporters in {took:.1f} s: {sent / took:,.0f}/s")
    print(f"dropped    {drops:>12,} by the kernel")
    print(f"spooled    {spooled:>12,} datagrams and templates")
    print(f"stored     {stored:>12,} records of {sent * PER_MESSAGE:,}; the end took {ended:.1f} s")
    print(f"waiting    {waiting:>12,.0f} MB for the decoder at most, in the second half")
    print(
        f"processor  {receiver:>12.2f} receiver, {decoder:.2f} decoder, {told['busy'] / took:.2f} exporters"
    )
    return decoding_rate(looks), waiting, drops + sent - stored // PER_MESSAGE


def main() -> None:
    parser = argparse.ArgumentParser(description="Measures the live collector.")
    parser.add_argument("--rate", type=int, default=DATAGRAMS, help="datagrams a second (default 40,000)")
    parser.add_argument("--seconds", type=float, default=60.0, help="how long each run is (default 60)")
    parser.add_argument("--exporters", type=int, default=4, help="how many send (default 4)")
    parser.add_argument(
        "--edge", action="store_true", help="when each minute can be read, by default at 5,000"
    )
    parser.add_argument("--segment", default="60s", help="with --edge: the collector's (default 60s)")
    given = parser.parse_args()
    if given.edge:
        rate = EDGE_DATAGRAMS if given.rate == DATAGRAMS else given.rate
        edge(rate, given.seconds if given.seconds > MINUTES_S else MINUTES_S, given.exporters, given.segment)
        return
    with tempfile.TemporaryDirectory() as scratch:
        records, _, missing = measure(Path(scratch), given.rate, given.seconds, given.exporters)
        print(f"missing    {missing:>12,} datagrams ({verdict(missing, 0, at_most=True)})")
        print(f"decoding   {records:>12,.0f} records/s meanwhile ({verdict(records, RECORDS)})")
        print()
        at = RECORDS // PER_MESSAGE
        _, waiting, missing = measure(Path(scratch), at, given.seconds, given.exporters)
        print(f"missing    {missing:>12,} datagrams ({verdict(missing, 0, at_most=True)})")
        print(f"behind     {waiting:>12,.0f} MB ({verdict(waiting, MAX_WAITING, at_most=True)})")


if __name__ == "__main__":
    main()
