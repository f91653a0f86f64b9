"""Plays an attack on a collector with honest exporters beside it, and counts what became of their records."""

from __future__ import annotations

import json
import resource
import ssl
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np
import pyarrow.parquet as pq

from flowdiag.scenario.bulk import PER_MESSAGE
from tests.attacks.crowds import Holding
from tests.attacks.evidence import Spooled, Stored
from tests.attacks.gunner import Gunner
from tests.attacks.honest import AGAIN_S, Honest
from tests.attacks.outcome import MAX_RECOVERY_S, Fate, Outcome
from tests.attacks.plans import Attack
from tests.attacks.watching import Watch
from tests.benchmarks.collect_sender import POOL_RECORDS
from tests.collector.live.running import Running, wait_until

# A shell gives its programs so many descriptors (Linux default); the collector has to do with it, or to raise it.
USUAL_DESCRIPTORS: Final = 1_024
# Hostile connections come from 127.40.0.0 on, a block of addresses for each crowd.
FIRST_BLOCK: Final = 40
POLL_S: Final = 0.1
# Exporters of the load (collect_sender.py).
LOADING: Final = 4


@dataclass(frozen=True)
class Terms:
    """seconds: that the attack takes; segment: of the spool, as a word for --segment; patience_s: how long records may be
    on their way to the store."""

    seconds: float
    segment: str = "1s"
    patience_s: float = MAX_RECOVERY_S


def play(attack: Attack, folder: Path, terms: Terms) -> Outcome:
    """folder: an empty one, for store, spool and log."""
    return _Play(attack, folder, terms).outcome()


class _Play:
    def __init__(self, attack: Attack, folder: Path, terms: Terms) -> None:
        self._attack = attack
        self._terms = terms
        self._folder = folder
        self._store = folder / "store"
        self._words = ["--segment", terms.segment]
        self._trusted: ssl.SSLContext | None = None
        if attack.tls:
            certificate, self._trusted = _certificate(folder)
            self._words += ["--certificate", str(certificate)]
        self._spooled = None if attack.load else Spooled(self._store / "_flowdiag" / "spool", folder / "kept")
        self._watches: list[Watch] = []
        self._fired = 0
        self._loaded = 0
        self._honest: list[Honest] = []
        self._code, self._ended_s = 0, 0.0
        self._told = ""

    def outcome(self) -> Outcome:
        recovery_s: float | None = None
        try:
            with self._collector() as running:
                self._begin(running)
                if self._attack.ends:
                    self._cut_short(running)
                else:
                    recovery_s = self._endured(running)
            if self._attack.ends or self._some_are_missing():
                with self._collector() as running:
                    late_s = self._recovered([one.sent for one in self._honest])
                    self._end(running)
                recovery_s = late_s if self._attack.ends else recovery_s
        finally:
            for one in self._honest:
                one.close()
        return Outcome(
            self._attack.name,
            self._fired,
            tuple(self._fates()),
            max(watch.memory for watch in self._watches),
            recovery_s,
            self._code,
            self._ended_s,
            sum(watch.unanswered for watch in self._watches),
            sum(watch.metric("kernel_drops_total") or 0 for watch in self._watches),
            len(list(self._store.glob("exporter=*"))),
            self._told,
        )

    @contextmanager
    def _collector(self) -> Iterator[Running]:
        with _usual_descriptors():
            running = Running(self._store, *self._words)
        watch = Watch(running, self._spooled)
        self._watches.append(watch)
        with running, watch:
            yield running
            self._told += f"{running.log}{watch.counters()}\n"

    def _begin(self, running: Running) -> None:
        """The honest exporters; an attack finds them known."""
        port = running.port
        self._honest += [
            Honest("udp", "127.0.1.1", port, again_s=AGAIN_S),
            Honest("udp, templates once", "127.0.1.2", port),
            Honest("tls" if self._trusted else "tcp", "127.0.1.3", port, stream=True, tls=self._trusted),
        ]
        for one in self._honest:
            one.start(self._attack.honest)
        stores = [Stored(self._store, one) for one in self._honest]
        wait_until(lambda: all(len(stored.numbers()) for stored in stores), lambda: running.log)

    def _endured(self, running: Running) -> float | None:
        """The whole attack, what comes to the store after it, then the end. Gives the seconds to recover."""
        with self._attacking(running):
            self._load(running) if self._attack.load else time.sleep(self._terms.seconds)
        recovery_s = self._recovered([one.sent for one in self._honest])
        for one in self._honest:
            one.stop()
        self._end(running)
        return recovery_s

    def _cut_short(self, running: Running) -> None:
        """The end in the middle of the attack."""
        with self._attacking(running):
            time.sleep(self._terms.seconds)
            for one in self._honest:
                one.stop()
            self._end(running)

    def _end(self, running: Running) -> None:
        self._watches[-1].ending()
        began = time.monotonic()
        self._code = self._code or running.end()
        self._ended_s = max(self._ended_s, time.monotonic() - began)

    @contextmanager
    def _attacking(self, running: Running) -> Iterator[None]:
        attack, port = self._attack, running.port
        over_udp = self._honest[:2]
        with ExitStack() as stack:
            if attack.salvos:
                gunner = Gunner([salvo(over_udp) for salvo in attack.salvos], attack.rate, port)
                gunner.start()
                stack.callback(self._count, gunner)
                stack.callback(gunner.end)
            for place, crowd in enumerate(attack.crowds):
                target = running.metrics_port if crowd.metrics else port
                holding = Holding(crowd, FIRST_BLOCK + place, target)
                holding.start()
                stack.callback(self._count, holding)
                stack.callback(holding.end)
                holding.formed.wait()
            yield
            self._watches[-1].ask()

    def _count(self, attacker: Gunner | Holding) -> None:
        self._fired += attacker.fired

    def _load(self, running: Running) -> None:
        rate, seconds = self._attack.load, self._terms.seconds
        pool = round(rate * seconds * PER_MESSAGE)
        options = ["--rate", str(rate), "--seconds", str(seconds), "--pool", str(min(pool, POOL_RECORDS))]
        words = [sys.executable, "-m", "tests.benchmarks.collect_sender", str(running.port), *options]
        told = subprocess.run(words, stdout=subprocess.PIPE, text=True, check=True)
        self._loaded = int(json.loads(told.stdout)["sent"])
        self._fired += self._loaded

    def _recovered(self, wanted: list[int]) -> float | None:
        """Seconds until the records that were sent until now are in the store; None if that takes too long."""
        began = time.monotonic()
        stores = [Stored(self._store, one) for one in self._honest]
        while time.monotonic() - began < self._terms.patience_s:
            if all(_in_it(store, first) for store, first in zip(stores, wanted, strict=True)):
                return time.monotonic() - began
            time.sleep(POLL_S)
        return None

    def _some_are_missing(self) -> bool:
        """What the end was too early for has to come after another start."""
        return any(not _in_it(Stored(self._store, one), one.sent) for one in self._honest)

    def _fates(self) -> Iterator[Fate]:
        for one in self._honest:
            numbers = Stored(self._store, one).numbers()
            stored = len(np.unique(numbers))
            spooled = None if self._spooled is None else len(self._spooled.numbers(one))
            yield Fate(one.name, one.sent, spooled, stored, len(numbers) - stored)
        if self._attack.load:
            files = [
                path
                for number in range(LOADING)
                for path in self._store.glob(f"exporter=127.0.0.{number + 1}/*/*.parquet")
            ]
            stored = sum(pq.read_metadata(path).num_rows for path in files)
            yield Fate("load", self._loaded * PER_MESSAGE, None, stored)


def _in_it(stored: Stored, first: int) -> bool:
    """Whether the first so many records of an exporter are in the store."""
    numbers = stored.numbers()
    return len(numbers) >= first and len(np.unique(numbers[numbers <= first])) == first


@contextmanager
def _usual_descriptors() -> Iterator[None]:
    """What is started meanwhile has the usual limit; this program takes what it can get."""
    _, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    resource.setrlimit(resource.RLIMIT_NOFILE, (min(USUAL_DESCRIPTORS, hard), hard))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_NOFILE, (hard, hard))


def _certificate(folder: Path) -> tuple[Path, ssl.SSLContext]:
    """A certificate with its key, and what trusts it."""
    own, public = folder / "collector.pem", folder / "public.pem"
    subprocess.run(
        ["openssl", "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes",
         "-subj", "/CN=collector.example", "-days", "2", "-keyout", own, "-out", public],
        check=True, capture_output=True,
    )  # fmt: skip
    own.chmod(0o600)
    own.write_text(own.read_text() + public.read_text())
    trusting = ssl.create_default_context(cafile=str(public))
    trusting.check_hostname = False
    return own, trusting
