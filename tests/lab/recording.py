"""Plays a run and keeps what came of it: `python -m tests.lab.recording NAME FOLDER`, in namespaces of its own.

FOLDER then has export.pcap.zst (what the switch told), site.toml (what was bought) and truth.json.zst (what was measured
beside it; truth.py says what stands in it).
"""

from __future__ import annotations

import json
import socket
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any, Final

import zstandard

from flowdiag.scenario.capture import pcap_bytes
from flowdiag.scenario.exporting import Message
from flowdiag.scenario.site import Framing, Site, SiteKeepalive, SiteLink, profile_toml
from tests.lab import traffic
from tests.lab.doing import FILES, Rates, Run
from tests.lab.network import ACTIVE_S, CHECKED, PORTS, Network
from tests.lab.runs import named

EXPORT, PROFILE, TRUTH = "export.pcap.zst", "site.toml", "truth.json.zst"
EXPORTER: Final = "192.0.2.10"
PING_S, KEEPALIVE_S = 0.25, 2.0
# A switch that tells every five seconds has told all by then, on a busy machine too.
TOLD_AFTER_S: Final = ACTIVE_S + 4
SAMPLE_S: Final = 1.0
# How much longer than its own time a program may take to end.
GRACE_S: Final = 20.0
RECEIVE_BUFFER: Final = 4_000_000
# Kept recordings are small: a flow export repeats itself.
PRESSING: Final = 19


def site(run: Run) -> Site:
    checks = SiteKeepalive(CHECKED, interval_s=KEEPALIVE_S, packet_bytes=84)
    # The switch's NetFlow counts the octets of frames, as the token bucket does; its IPFIX those of IP packets.
    framing: Framing = "ip" if run.protocol == "netflow" else "ethernet"
    return Site(
        "Pohutukawa Road Studio",
        (
            SiteLink(
                "fibre", run.plan.down, run.plan.up, (PORTS["wan1"],), framing=framing, variable=run.wandering
            ),
            SiteLink(
                "lte",
                run.backup.down,
                run.backup.up,
                (PORTS["wan2"],),
                "backup",
                framing,
                keepalives=(checks,),
            ),
        ),
        timezone="Pacific/Auckland",
        exporter=EXPORTER,
        declared_exporters=(EXPORTER,),
    )


@contextmanager
def collector() -> Iterator[tuple[int, list[Message]]]:
    """A port of loopback, and what has come to it."""
    heard: list[Message] = []
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as inbox:
        inbox.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, RECEIVE_BUFFER)
        inbox.bind(("127.0.0.1", 0))
        inbox.settimeout(0.2)
        over = threading.Event()

        def listen() -> None:
            while not over.is_set():
                try:
                    heard.append(Message(0, inbox.recv(65_536))._replace(time_ms=traffic.now_ms()))
                except TimeoutError:
                    continue

        listener = threading.Thread(target=listen)
        listener.start()
        try:
            yield inbox.getsockname()[1], heard
        finally:
            over.set()
            listener.join()


class Played:
    """The programs of a run, and what was measured meanwhile."""

    def __init__(self, network: Network, run: Run, started: ExitStack) -> None:
        self._network, self._run, self._started = network, run, started
        self._programs: list[subprocess.Popen[str]] = []
        self.log: list[tuple[int, str]] = []
        self.rates: list[tuple[int, float]] = []
        self.samples: list[dict[str, Any]] = []

    def play(self) -> list[dict[str, Any]]:
        """All of it. What the programs said at their end."""
        run, network = self._run, self._network
        serving = self._start(network.servers, "serve", run.seconds)
        assert serving.stdout is not None
        assert serving.stdout.readline() == "ready\n"
        agenda: list[tuple[float, str, Any]] = [(0.0, "ping", None)]
        agenda += [(step_s, "step", step) for step_s, step in run.steps]
        agenda += [(at_s, "rate", part) for at_s, part in run.rates]
        agenda += [(does.start_s, "does", does) for does in run.does]
        agenda += [(second * SAMPLE_S, "sample", None) for second in range(int(run.seconds / SAMPLE_S))]
        began = time.monotonic()
        for at_s, what, which in sorted(agenda, key=lambda item: item[0]):
            time.sleep(max(began + at_s - time.monotonic(), 0))
            if what == "ping":
                self._start(network.places["studio"], "ping", FILES, run.seconds - 3, PING_S)
                self._start(network.places["gate"], "ping", CHECKED, run.seconds - 3, KEEPALIVE_S)
            elif what == "step":
                self.log.append((traffic.now_ms(), which))
                network.do(which)
            elif what == "rate":
                self.rates.append((traffic.now_ms(), which))
                network.shape("wan1", Rates(run.shaped.down * which, run.shaped.up * which))
            elif what == "does":
                words = (which.kind, which.server, which.seconds, *which.numbers)
                self._start(network.places[which.host], *words)
            else:
                self.sample()
        said = [json.loads(program.communicate(timeout=GRACE_S)[0]) for program in self._programs]
        self.sample()
        return said

    def _start(self, place: Any, *words: object) -> subprocess.Popen[str]:
        program: subprocess.Popen[str] = place.start(sys.executable, traffic.__file__, *map(str, words))
        self._started.callback(program.wait)
        self._started.callback(program.kill)
        self._programs.append(program)
        return program

    def sample(self) -> None:
        network = self._network
        self.samples.append({"ms": traffic.now_ms(), "ports": network.counters(), "queues": network.queues()})


def record(run: Run, folder: Path) -> None:
    """Writes the three files of a run. Root of its own namespaces may do all that this does."""
    with ExitStack() as started:
        port, heard = started.enter_context(collector())
        scratch = Path(started.enter_context(tempfile.TemporaryDirectory()))
        network = Network(run, scratch / "switch", port, started)
        played = Played(network, run, started)
        said = played.play()
        time.sleep(TOLD_AFTER_S)
        played.sample()
        pings = {program["address"]: program.pop("pings") for program in said if "pings" in program}
        truth = {
            "run": run.name,
            "samples": played.samples,
            "pings": pings[FILES],
            "keepalives": pings[CHECKED],
            "log": played.log,
            "rates": played.rates,
            "programs": said,
        }
    press = zstandard.ZstdCompressor(PRESSING).compress
    (folder / EXPORT).write_bytes(press(pcap_bytes(heard, EXPORTER)))
    (folder / PROFILE).write_text(profile_toml(site(run)), encoding="utf-8")
    (folder / TRUTH).write_bytes(press(json.dumps(truth).encode()))


if __name__ == "__main__":
    record(named(sys.argv[1]), Path(sys.argv[2]))
    print(json.dumps("recorded"))
