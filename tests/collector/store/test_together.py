"""One store and all that may work on it at once, as processes of their own: a collector under load, two that ingest the same
exports, two that merge, one that drops old days, one that asks."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import threading
from collections import Counter
from pathlib import Path

import pyarrow as pa
import pyarrow.compute as pc

import flowdiag
from flowdiag.addresses import V4_PREFIX
from flowdiag.collector.export import read_export
from tests.collector.live.running import FLOWS, PATIENCE_S, Running, Sender
from tests.collector.store.captures import exports

UPKEEP = (["--compact"], ["--compact"], ["--retain", "36500d"])
UPKEEP_ROUNDS = 2


def start(*words: str) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-c", "from flowdiag.cli.main import main; main()", *words],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env=os.environ | {"PYTHONPATH": str(Path(flowdiag.__file__).parents[1])},
    )


def finish(process: subprocess.Popen[str]) -> str:
    out, err = process.communicate(timeout=PATIENCE_S)
    assert process.returncode == 0, err
    return out


def test_a_collector_and_all_other_commands_work_on_one_store(tmp_path: Path) -> None:
    store = tmp_path / "flows"
    paths = [str(path) for path in exports(tmp_path / "exports", 4)]
    stopped = threading.Event()

    def send() -> None:
        while not stopped.wait(0.01):
            sender.send(2)

    with Running(store) as collector:
        sender = Sender(collector.port)
        load = threading.Thread(target=send)
        load.start()
        collector.wait_for("records_total", FLOWS)
        writers = [start("ingest", *paths, "--store", str(store), "--format", "json") for _ in range(2)]
        asked = []
        for _ in range(UPKEEP_ROUNDS):
            upkeep = [start("ingest", "--store", str(store), *words) for words in UPKEEP]
            asked.append(json.loads(finish(start("inspect", str(store), "--format", "json")))["records"])
            for process in upkeep:
                finish(process)
        outcomes = [done for writer in writers for done in json.loads(finish(writer))["exports"]]
        stopped.set()
        load.join()
        collector.wait_for("records_total", sender.sent * FLOWS)
        assert collector.end() == 0, collector.log
    added = Counter(done["name"] for done in outcomes if done["state"] == "added")
    assert added == dict.fromkeys(paths, 1)
    assert {done["state"] for done in outcomes} == {"added", "known"}
    flows = read_export(store)
    received = pc.equal(flows["exporter"], V4_PREFIX + bytes([127, 0, 0, 1])).fill_null(False)
    sent = flows.filter(received)["octets"]
    assert len(sent) == pc.count_distinct(sent).as_py() == sender.sent * FLOWS
    assert in_order(flows.filter(pc.invert(received))).equals(in_order(read_export(paths)))
    assert asked == sorted(asked)
    assert 0 < asked[0] <= len(flows)
    assert not list((store / "_flowdiag" / "aside").rglob("*.parquet"))


def in_order(flows: pa.Table) -> pa.Table:
    names = ("end", "start", "src_port", "dst_port", "octets", "packets")
    return flows.sort_by([(name, "ascending") for name in names])
