"""A collector whose disk fills up and gets room again: `python -m tests.collector.live.full_disk FOLDER`.

Runs in a mount namespace of its own (apart.py), with a small file system for the store and its spool. Prints as JSON what
could be seen before, meanwhile and afterwards.
"""

from __future__ import annotations

import json
import os
import socket
import subprocess
import sys
from contextlib import suppress
from pathlib import Path
from urllib.error import HTTPError

from flowdiag import read_export
from tests.collector.live.running import FLOWS, Running, Sender, wait_until

# The receiver leaves half a segment free: 8 MiB.
DISK, SEGMENT = "64m", "16MiB"


def health(running: Running) -> tuple[int, str]:
    """The status and the text of the health page."""
    try:
        return 200, running.get("/health")
    except HTTPError as error:
        return error.code, error.read().decode()


def fill(path: Path) -> None:
    """Takes all the room there is."""
    with suppress(OSError), path.open("wb", buffering=0) as file:
        while file.write(bytes(1 << 16)):
            pass


def seen(folder: Path) -> dict[str, object]:
    store = folder / "disk"
    store.mkdir()
    subprocess.run(["mount", "-t", "tmpfs", "-o", f"size={DISK}", "tmpfs", store], check=True)
    subprocess.run(["ip", "link", "set", "lo", "up"], check=True)
    with Running(store, "--segment", "4s", "--segment-size", SEGMENT) as running:
        datagrams = Sender(running.port)
        stream = Sender(running.port, kind=socket.SOCK_STREAM)
        datagrams.send(100)
        running.wait_for("synced_total", 100)
        ballast = store / "ballast"
        fill(ballast)
        wait_until(lambda: "decoding waits" in running.log and "cannot be written" in running.log)
        datagrams.send(50)
        stream.send(50)
        running.wait_for("unspooled_total", 50)
        meanwhile = {
            "health": health(running),
            "records": running.metric("records_total"),
            "spooled": running.metric("spooled_total"),
            "free": os.statvfs(store).f_bavail,
            "said": running.log,
        }
        ballast.unlink()
        running.wait_for("records_total", 150 * FLOWS)
        wait_until(lambda: health(running)[0] == 200)
        datagrams.send(10)
        running.wait_for("records_total", 160 * FLOWS)
        counts = {name: running.metric(f"{name}_total") for name in ("datagrams", "spooled", "unspooled")}
        code = running.end()
        return {"meanwhile": meanwhile, "counts": counts, "code": code, "said": running.log,
                "stored": len(read_export(store))}  # fmt: skip


if __name__ == "__main__":
    print(json.dumps(seen(Path(sys.argv[1]))))
