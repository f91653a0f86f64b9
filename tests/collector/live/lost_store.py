"""A collector whose store becomes read-only, goes away, and comes back: `python -m tests.collector.live.lost_store FOLDER`.

Runs in a mount namespace of its own (apart.py); the spool is on another disk than the store. Prints as JSON what could be
seen in each state.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

from click.testing import CliRunner

from flowdiag import read_export
from flowdiag.cli.main import main
from flowdiag.collector.store.changes import make_store
from flowdiag.collector.store.opening import open_backend
from flowdiag.scenario.bulk import write_bulk
from tests.collector.live.full_disk import health
from tests.collector.live.running import FLOWS, Running, Sender, wait_until

PER_STATE = 20


def mount(*words: str | Path) -> None:
    subprocess.run(["mount", *words], check=True)


def said_by(*words: str | Path) -> tuple[int, str]:
    """Exit code and standard error of a command."""
    done = CliRunner().invoke(main, list(map(str, words)))
    return done.exit_code, done.stderr


def store_with_leftover(store: Path) -> Path:
    """A store with a file of a writer that died: once that is swept, the upkeep at the start of a collector is over."""
    make_store(open_backend(store))
    left = store / "_flowdiag" / "aside" / "0123"
    left.write_bytes(b"of a writer that died")
    os.utime(left, (1e9, 1e9))
    return left


def seen_while(
    running: Running, sender: Sender, reason: str, **commands: list[str | Path]
) -> dict[str, object]:
    """Sends, and waits until it is said why that is not in the store. commands: to try then, by what to call them."""
    spooled = running.metric("spooled_total") + PER_STATE
    sender.send(PER_STATE)
    running.wait_for("spooled_total", spooled)
    waits = f"decoding waits: {running.store}"
    wait_until(
        lambda: waits in health(running)[1] and reason in health(running)[1],
        lambda: f"{health(running)}\n{running.log}",
    )
    return {
        "health": health(running),
        "spooled": running.metric("spooled_total"),
        "unspooled": running.metric("unspooled_total"),
        "records": running.metric("records_total"),
    } | {name: said_by(*words) for name, words in commands.items()}


def seen(folder: Path) -> dict[str, object]:
    disk, store, export = folder / "disk", folder / "store", write_bulk(folder / "export.ipfix", 24)
    for made in (disk, store):
        made.mkdir()
    subprocess.run(["ip", "link", "set", "lo", "up"], check=True)
    mount("-t", "tmpfs", "tmpfs", disk)
    mount("--bind", disk, store)
    told: dict[str, object] = {}
    ask: list[str | Path] = ["inspect", store, "--quiet"]
    add: list[str | Path] = ["ingest", export, "--store", store, "--quiet"]
    merge: list[str | Path] = ["ingest", "--store", store, "--compact"]
    store_with_leftover(store)
    with Running(store, "--spool", str(folder / "spool")) as running:
        running.wait_for("swept_total", 1)
        sender = Sender(running.port)
        sender.send(PER_STATE)
        running.wait_for("records_total", PER_STATE * FLOWS)
        mount("-o", "remount,bind,ro", store)
        told["read-only"] = seen_while(running, sender, "Read-only file system", ask=ask, add=add)
        mount("-o", "remount,bind,rw", store)
        running.wait_for("records_total", 2 * PER_STATE * FLOWS)
        subprocess.run(["umount", store], check=True)
        told["gone"] = seen_while(running, sender, "there is no flow store", ask=ask, merge=merge)
        told["left in its place"] = [path.name for path in store.iterdir()]
        mount("--bind", disk, store)
        running.wait_for("records_total", 3 * PER_STATE * FLOWS)
        wait_until(lambda: health(running)[0] == 200)
        sender.send(PER_STATE)
        running.wait_for("records_total", 4 * PER_STATE * FLOWS)
        told |= {"code": running.end(), "said": running.log, "stored": len(read_export(store))}
    return told


if __name__ == "__main__":
    print(json.dumps(seen(Path(sys.argv[1]))))
