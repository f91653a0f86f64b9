"""A collector as a user runs it, in a process of its own, and exporters that send to it."""

from __future__ import annotations

import os
import re
import resource
import signal
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from types import TracebackType

import pytest

import flowdiag
from flowdiag.collector.decode.decoder import Decoder
from flowdiag.collector.readers.packets import Dissector
from flowdiag.collector.readers.pcap import read_pcap
from flowdiag.collector.readers.source import Source
from flowdiag.collector.readers.window import Window
from flowdiag.collector.report import ExportReport
from tests.collector.decode.wire import EXPORT_S, a_set, flow, ipfix, with_template

PATIENCE_S = 90.0
FLOWS = 24


class Running:
    """`flowdiag collect` on a free port of loopback, ended at the end of the with block.

    descriptors: how many each of its processes may have at first, and at most; modules: a folder in which Python looks
    first, in all of its processes.
    """

    def __init__(
        self,
        store: Path,
        *options: str,
        listen: str = "127.0.0.1:0",
        descriptors: tuple[int, int] | None = None,
        log: Path | None = None,
        modules: Path | None = None,
    ) -> None:
        self.store = store
        self._log = log or store.parent / f"{store.name}.log"
        words = ["collect", "--listen", listen, "--store", str(store), "--metrics-port", "0"]
        code = "from flowdiag.cli.main import main; main()"
        self._written = self._log.stat().st_size if self._log.exists() else 0
        folders = [*([] if modules is None else [str(modules)]), str(Path(flowdiag.__file__).parents[1])]
        with self._log.open("ab") as log:
            self.process = subprocess.Popen(
                [sys.executable, "-c", code, *words, "--segment", "500ms", "--sync", "100ms", *options],
                stderr=log,
                start_new_session=True,
                env=os.environ | {"PYTHONPATH": os.pathsep.join(folders)},
                preexec_fn=None if descriptors is None else lambda: limit_descriptors(descriptors),
            )
        self.port = int(self._said(r"listening at \S+:(\d+),"))
        self.metrics_port = int(self._said(r"metrics at http://127.0.0.1:(\d+)/"))

    def __enter__(self) -> Running:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.kill()

    @property
    def log(self) -> str:
        """What it has said, on standard error."""
        return self._log.read_text()[self._written :]

    def _said(self, pattern: str) -> str:
        found: list[str] = []

        def look() -> bool:
            found[:] = re.findall(pattern, self.log)
            return bool(found) or self.process.poll() is not None

        wait_until(look)
        assert found, self.log
        return found[0]

    def workers(self) -> list[int]:
        """Its processes in the order in which they were started: receivers, each followed by its decoder."""
        pid = self.process.pid
        children = Path(f"/proc/{pid}/task/{pid}/children").read_text().split()
        return [
            int(child) for child in children if b"spawn_main" in Path(f"/proc/{child}/cmdline").read_bytes()
        ]

    @contextmanager
    def busy(self) -> Iterator[None]:
        """Its receiver does nothing meanwhile."""
        receiver = self.workers()[0]
        os.kill(receiver, signal.SIGSTOP)
        try:
            yield
        finally:
            os.kill(receiver, signal.SIGCONT)

    def metric(self, name: str) -> int:
        """A counter or gauge of the Prometheus endpoint."""
        match = re.search(rf"^flowdiag_collect_{name} (\S+)$", self.get("/metrics"), re.MULTILINE)
        assert match is not None, name
        return int(float(match[1]))

    def get(self, path: str) -> str:
        url = f"http://127.0.0.1:{self.metrics_port}{path}"
        with urllib.request.urlopen(url, timeout=5) as answer:
            text: str = answer.read().decode()
        return text

    def unhealthy(self) -> str:
        """What /health says is wrong."""
        with pytest.raises(urllib.error.HTTPError) as wrong:
            self.get("/health")
        assert wrong.value.code == 503
        return wrong.value.read().decode()

    def wait_for(self, name: str, value: int) -> None:
        """Waits until a metric is at least a value."""
        wait_until(lambda: self.metric(name) >= value, lambda: f"{name} {self.metric(name)}\n{self.log}")

    def end(self) -> int:
        """Asks it to end, as a service manager does. Gives the exit code."""
        self.process.send_signal(signal.SIGTERM)
        return self.process.wait(PATIENCE_S)

    def kill(self) -> None:
        """Ends all of its processes at once, as a power cut does."""
        with suppress(ProcessLookupError):
            os.killpg(self.process.pid, signal.SIGKILL)
        self.process.wait()


def limit_descriptors(limits: tuple[int, int]) -> None:
    """This process's limits, soft and hard, for good."""
    resource.setrlimit(resource.RLIMIT_NOFILE, limits)


def wait_until(condition: Callable[[], bool], explain: Callable[[], str] = lambda: "") -> None:
    until = time.monotonic() + PATIENCE_S
    while not condition():
        assert time.monotonic() < until, explain()
        time.sleep(0.05)  # each look at a metric costs the collector some milliseconds


class Sender:
    """An exporter with one template; each of its messages has FLOWS flows, which are told apart by their ports."""

    def __init__(
        self,
        port: int,
        host: str = "127.0.0.1",
        kind: socket.SocketKind = socket.SOCK_DGRAM,
        source: str = "",
    ) -> None:
        family = socket.AF_INET6 if ":" in host else socket.AF_INET
        self.socket = socket.socket(family, kind)
        if source:
            self.socket.bind((source, 0))
        self.socket.connect((host, port))
        self.sent = 0
        self.export_s = EXPORT_S
        self._sequence = 0

    def message(self) -> bytes:
        """The next message; every hundredth repeats the template."""
        sets = [with_template()] if self.sent % 100 == 0 else []
        first = self.sent * FLOWS
        flows = a_set(256, *map(flow, range(first, first + FLOWS)))
        octets = ipfix(*sets, flows, sequence=self._sequence, export_s=self.export_s)
        self.sent += 1
        self._sequence += FLOWS
        return octets

    def send(self, messages: int, pause_s: float = 0.0) -> None:
        for _ in range(messages):
            with suppress(ConnectionRefusedError):  # told of the datagram before, when nobody was there
                self.socket.send(self.message())
            if pause_s:
                time.sleep(pause_s)

    def close(self) -> None:
        self.socket.close()


def records_of(captures: Sequence[bytes]) -> int:
    """Flow records in captures that follow each other, decoded in one go."""
    report = ExportReport()
    decoder, dissector = Decoder(report), Dissector()
    for octets in captures:
        source = Source("capture", 0, report)
        for datagram in read_pcap(Window(_Octets(octets), "capture"), source, dissector):
            decoder.feed(datagram)
    return sum(batch.num_rows for batch in decoder.finish())


class _Octets:
    def __init__(self, octets: bytes) -> None:
        self._octets = octets

    def read(self, size: int, /) -> bytes:
        taken, self._octets = self._octets[:size], self._octets[size:]
        return taken
