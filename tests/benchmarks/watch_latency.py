"""How long after its records came something is told: `python -m tests.benchmarks.watch_latency [--sites 12]`.

A collector and a watch as users run them, on loopback. Routers of so many sites send what they meter as it happens; one after
the other loses its main line. The time counts from the arrival of the first record of ordinary traffic on the backup until the
line of JSON that says so. It takes a minute for every three sites, and five more.
"""

from __future__ import annotations

import argparse
import json
import os
import socket
import subprocess
import sys
import tempfile
import threading
import time
from heapq import merge
from pathlib import Path
from typing import IO, Any, Final

import numpy as np
from msgspec import Struct

import flowdiag
from flowdiag.collector.store.ingest import ingest
from flowdiag.rollup import ROLLER
from flowdiag.scenario import activities as do
from flowdiag.scenario.capture import write_pcap
from flowdiag.scenario.exporting import Exporting, Message
from flowdiag.scenario.metering import Meter
from flowdiag.scenario.scene import MINUTE, Scene
from flowdiag.scenario.site import Site, SiteKeepalive, SiteLink, profile_toml
from flowdiag.scenario.write import Situation, enact, export_messages, generator
from tests.benchmarks.measuring import verdict
from tests.collector.live.running import Running

MOST_S: Final = 90.0  # in 95 of a hundred
BEFORE: Final = 60  # minutes that are in the store already
APART_S: Final = 20  # between two sites that lose their lines
LAST: Final = 3  # minutes after the last of them

_FLOWDIAG: Final = "from flowdiag.cli.main import main; main()"


class Sent(Struct, frozen=True):
    """shown_ms: when the first record of ordinary traffic on the backup is sent."""

    site: Site
    messages: list[Message]
    shown_ms: int


def main() -> None:
    parser = argparse.ArgumentParser(description="Measures how soon something is told.")
    parser.add_argument("--sites", type=int, default=12)
    sites = parser.parse_args().sites
    with tempfile.TemporaryDirectory() as name:
        took = sorted(_measured(Path(name), sites))
    if not took:
        raise RuntimeError("nothing was told")
    worst = took[min(int(np.ceil(0.95 * len(took))), len(took)) - 1]
    print(
        f"{len(took)} of {sites} told after {took[0]:.0f} to {took[-1]:.0f} s, half of them within {took[len(took) // 2]:.0f} s"
    )
    print(f"95 of a hundred within {worst:.0f} s; {verdict(worst, MOST_S, at_most=True)}")


def _measured(folder: Path, sites: int) -> list[float]:
    """Seconds for each site that was told of."""
    profiles = folder / "sites"
    profiles.mkdir()
    now_ms = (int(time.time()) // 60 + 2) * MINUTE  # time enough to make all of it
    until_ms = now_ms + round((sites * APART_S / 60 + 1 + LAST) * MINUTE)
    every = [_site(number, now_ms, until_ms) for number in range(sites)]
    for number, one in enumerate(every):
        (profiles / f"{number:02d}.toml").write_text(profile_toml(one.site), encoding="utf-8")
        before = folder / f"{number:02d}.pcap"
        write_pcap(before, [m for m in one.messages if m.time_ms < now_ms], one.site.exporter)
        ingest([str(before)], str(folder / "flows"), jobs=1, roller=ROLLER)
    told: dict[str, float] = {}
    with (
        Running(folder / "flows", "--segment", "60s", "--sync", "1s") as collector,
        _watch(folder) as watch,
    ):
        assert watch.stdout is not None
        threading.Thread(target=_listen, args=(watch.stdout, told), daemon=True).start()
        _send(every, max(now_ms, int(time.time() * 1000)), collector.port)
        time.sleep(max(until_ms / 1000 - time.time(), 0))
        watch.terminate()
    return [told[one.site.name] - one.shown_ms / 1000 for one in every if one.site.name in told]


def _watch(folder: Path) -> subprocess.Popen[bytes]:
    words = ["watch", "--store", str(folder / "flows"), "--sites", str(folder / "sites"), "--jobs", "2"]
    environment = os.environ | {"PYTHONPATH": str(Path(flowdiag.__file__).parents[1])}
    return subprocess.Popen(
        [sys.executable, "-c", _FLOWDIAG, *words], stdout=subprocess.PIPE, env=environment
    )


def _listen(lines: IO[bytes], told: dict[str, float]) -> None:
    for line in lines:
        event: dict[str, Any] = json.loads(line)
        if event["code"] == "on-backup" and event["state"] == "began":
            told.setdefault(event["site"], time.time())


def _send(every: list[Sent], from_ms: int, port: int) -> None:
    """Each message at its time, from the address of its router."""
    sockets = {}
    for one in every:
        sockets[one.site.exporter] = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        sockets[one.site.exporter].bind((one.site.exporter, 0))
    streams = [[(m.time_ms, one.site.exporter, m.payload) for m in one.messages] for one in every]
    for time_ms, exporter, payload in merge(*streams):
        if time_ms < from_ms:
            continue
        time.sleep(max(time_ms / 1000 - time.time(), 0))
        sockets[exporter].sendto(payload, ("127.0.0.1", port))
    for one in sockets.values():
        one.close()


def _site(number: int, now_ms: int, until_ms: int) -> Sent:
    probe = SiteKeepalive("198.51.100.1", interval_s=10)
    exporter = f"127.0.1.{1 + number}"
    site = Site(
        name=f"Kowhai Clinic {number}",
        exporter=exporter,
        declared_exporters=(exporter,),
        links=(
            SiteLink("main line", 100, 20, (2,)),
            SiteLink("cellular", 30, 6, (3,), role="backup", variable=True, keepalives=(probe,)),
        ),
    )
    scene = Scene(site, now_ms - BEFORE * MINUTE, until_ms, generator(number), hosts=6, step_ms=1000)
    do.office(scene, scene.start, scene.end, 4)
    do.keepalive(scene, 1, probe, scene.start, scene.end)
    lost_ms = now_ms + MINUTE + number * APART_S * 1000
    scene.network.fail(0, lost_ms, scene.end, backup=1, gap_ms=2000)
    situation = enact(scene, Meter(flush=False))
    exporting = Exporting(protocol="netflow9", times="uptime", template_interval_s=60)
    return Sent(site, export_messages(situation, exporting), _shown_ms(situation, lost_ms))


def _shown_ms(situation: Situation, lost_ms: int) -> int:
    records = situation.records
    there = ((records["ingress"] == 3) | (records["egress"] == 3)) & (records["start"] >= lost_ms)
    return int(records["export"][there & (records["protocol"] != do.ICMP)].min())


if __name__ == "__main__":
    main()
