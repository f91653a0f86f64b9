"""A real Dask cluster on loopback: a scheduler and workers as processes of their own."""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

PATIENCE_S = 120.0
ROOT = Path(__file__).parents[2]  # from where workers import what tests ask them to do


@dataclass
class Cluster:
    address: str
    workers: list[subprocess.Popen[bytes]] = field(default_factory=list)


@contextmanager
def running(workers: int) -> Iterator[Cluster]:
    """Starts a scheduler and so many workers of one thread, and ends them. A worker that dies is not replaced."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        scheduler = _start(
            [
                "scheduler",
                "--host",
                "127.0.0.1",
                "--port",
                "0",
                "--no-dashboard",
                "--scheduler-file",
                "scheduler.json",
            ],
            folder,
            "scheduler",
        )
        cluster = Cluster("")
        try:
            cluster.address = _address(folder / "scheduler.json", scheduler)
            for number in range(workers):
                words = [
                    "worker",
                    cluster.address,
                    "--host",
                    "127.0.0.1",
                    "--nthreads",
                    "1",
                    "--no-nanny",
                    "--no-dashboard",
                ]
                cluster.workers.append(_start(words, folder, f"worker-{number}"))
            if workers:
                _wait_for(cluster, workers)
            yield cluster
        finally:
            for process in (*cluster.workers, scheduler):
                process.terminate()
            for process in (*cluster.workers, scheduler):
                try:
                    process.wait(10)
                except subprocess.TimeoutExpired:
                    process.kill()
                    process.wait()


def _start(words: list[str], folder: Path, name: str) -> subprocess.Popen[bytes]:
    with (folder / f"{name}.log").open("wb") as log:
        return subprocess.Popen(
            [sys.executable, "-m", "distributed.cli.dask_" + words[0], *words[1:]],
            cwd=folder, stdout=log, stderr=subprocess.STDOUT, env={**os.environ, "PYTHONPATH": str(ROOT)},
        )  # fmt: skip


def _address(file: Path, scheduler: subprocess.Popen[bytes]) -> str:
    import json

    until = time.monotonic() + PATIENCE_S
    while time.monotonic() < until and scheduler.poll() is None:
        try:
            return str(json.loads(file.read_text())["address"])
        except (FileNotFoundError, ValueError):
            time.sleep(0.1)
    raise RuntimeError((file.parent / "scheduler.log").read_text())


def _wait_for(cluster: Cluster, workers: int) -> None:
    import distributed

    client = distributed.Client(cluster.address, timeout=PATIENCE_S, set_as_default=False)  # type: ignore[no-untyped-call]
    try:
        client.wait_for_workers(workers, timeout=PATIENCE_S)
    finally:
        client.close()  # type: ignore[no-untyped-call]
