"""How soon a minute can be read once it is over: `python -m tests.benchmarks.collect --edge`.

Beside exporters under load one sends ten messages a second and notes when; a reader looks all the time which of its records the
store has. What is cut at a whole minute gets into the store in the order in which it came, so its records stand for all.
"""

from __future__ import annotations

import json
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path
from typing import Final

import numpy as np

from flowdiag.addresses import to_bytes
from flowdiag.collector.readers.stored_flows import StoredFlows
from flowdiag.collector.report import ExportReport
from flowdiag.collector.store.opening import open_backend
from flowdiag.collector.store.reading import StoreReader
from tests.benchmarks.measuring import verdict
from tests.collector.live.running import FLOWS, Running, Sender

EDGE_DATAGRAMS: Final = 5_000
MINUTES_S: Final = 200.0  # three whole minutes
PROBE: Final = "127.0.1.1"
MOST_S: Final = 15.0
_MINUTE_S: Final = 60.0
_LOOK_S: Final = 0.2


class Probe:
    """sent: when each message was, seconds since 1970."""

    def __init__(self, port: int) -> None:
        self._sender = Sender(port, source=PROBE)
        self.sent: list[float] = []
        self._going = True
        self._thread = threading.Thread(target=self._run)
        self._thread.start()

    def _run(self) -> None:
        while self._going:
            self.sent.append(time.time())
            self._sender.export_s = int(time.time())
            self._sender.send(1)
            time.sleep(0.1)

    def stop(self) -> None:
        self._going = False
        self._thread.join()
        self._sender.close()


def readable(store: Path) -> int:
    """Records of the probe that a question gets."""
    backend = open_backend(store)
    reader = StoreReader(backend, lambda _: None, columns=["octets"])
    return sum(batch.num_rows for batch in reader.batches(StoredFlows(ExportReport()), [to_bytes(PROBE)]))


def edge(rate: int, seconds: float, exporters: int, segment: str) -> None:
    with tempfile.TemporaryDirectory() as scratch:
        store = Path(scratch) / "store"
        with Running(store, "--segment", segment, "--sync", "1s") as running:
            options = ["--rate", str(rate), "--seconds", str(seconds), "--exporters", str(exporters)]
            words = [sys.executable, "-m", "tests.benchmarks.collect_sender", str(running.port), *options]
            with subprocess.Popen(words, stdout=subprocess.PIPE, text=True) as sender:
                probe = Probe(running.port)
                seen: list[float] = []  # when each of its messages could be read first
                until = time.monotonic() + seconds + MOST_S
                while time.monotonic() < until:
                    count = readable(store) // FLOWS
                    seen += [time.time()] * (count - len(seen))
                    time.sleep(_LOOK_S)
                probe.stop()
                assert sender.stdout is not None
                told = json.loads(sender.stdout.read())
            drops = running.metric("kernel_drops_total")
    _print(np.array(probe.sent), np.array(seen), told["sent"] / told["seconds"], drops)


def _print(sent: np.ndarray, seen: np.ndarray, rate: float, drops: int) -> None:  # type: ignore[type-arg]
    minutes = sent[: len(seen)] // _MINUTE_S
    whole = [
        minute
        for minute in np.unique(minutes)
        if (sent // _MINUTE_S == minute).sum() == (minutes == minute).sum()
    ]
    last = [float(seen[minutes == minute].max() - (minute + 1) * _MINUTE_S) for minute in whole[:-1]]
    ages = seen - sent[: len(seen)]
    print(f"rate       {rate:>12,.0f} datagrams/s of 24 records, {drops:,} dropped")
    print(
        "minutes    "
        + ", ".join(f"{each:.1f}" for each in last)
        + " s after their ends all of them could be read"
    )
    for share in (50, 95, 100):
        told = float(np.percentile(last, share, method="higher"))
        print(
            f"{share:>3}%       {told:>12.1f} s after a minute's end ({verdict(told, MOST_S, at_most=True)})"
        )
    print(
        f"record     {np.median(ages):>12.1f} s from sending to reading, the median; {ages.max():.1f} s at most"
    )
