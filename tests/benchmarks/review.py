"""What `flowdiag review` costs: the first review of a month, the next day's, by number of sites; and a second Dask worker.

    python -m tests.benchmarks.review [--sites 100,300,1000] [--cluster-sites 40] [--folder FOLDER]

The store holds 31 days of every site, 200 records and more a site and hour, one file a site and day, as a collector with
compaction leaves them, each with its roll-up. Twenty sites are drawn (flowdiag/scenario/portfolio.py); the others are
copies of them under exporters of their own, since drawing 150 million records takes longer than reviewing them. Wall time
says more about who else uses the machine than about the review, so the processor time of all its processes is printed
beside it: half of it is what two idle cores need.
"""

from __future__ import annotations

import argparse
import base64
import hashlib
import json
import math
import os
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from io import BytesIO
from pathlib import Path
from typing import Final

from flowdiag.addresses import to_bytes
from flowdiag.collector.store.beside import IDENTITY_OCTETS, TRAILER_OCTETS, identity_of
from flowdiag.collector.store.changes import make_store
from flowdiag.collector.store.layout import rollup_path
from flowdiag.collector.store.opening import open_backend
from flowdiag.rollup import ROLLER
from flowdiag.rollup.form import MAGIC
from flowdiag.scenario.stored_days import write_portfolio

FIRST: Final = datetime(2026, 3, 1, tzinfo=UTC)
DAYS: Final = 31
DRAWN: Final = 20
COMMAND: Final = [sys.executable, "-c", "from flowdiag.cli.main import main; main()", "review"]
# The kernel counts the processor time of a process to who waits for it, and workers are children of a process that
# outlives the command: this one takes over all that the command leaves behind and waits (prctl(2), PR_SET_CHILD_SUBREAPER).
_WAITED_FOR: Final = """
import ctypes, os, subprocess, sys
ctypes.CDLL(None).prctl(36, 1)
code = subprocess.call(sys.argv[1:])
try:
    while True:
        os.wait()
except ChildProcessError:
    sys.exit(code)
"""
_PAUSE_S: Final = 0.1


@dataclass(frozen=True)
class Cost:
    """cpu_s: of all processes; mebioctets: the most that they held together."""

    wall_s: float
    cpu_s: float
    mebioctets: float


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sites", default="100,300,1000")
    parser.add_argument("--cluster-sites", type=int, default=40)
    parser.add_argument("--folder", type=Path)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory(dir=options.folder) as name:
        folder = Path(name)
        drawn = draw(folder / "drawn")
        costs = {}
        for sites in map(int, options.sites.split(",")):
            portfolio = folder / f"sites-{sites}"
            copy(drawn, portfolio, sites, "flows")
            costs[sites] = review(portfolio, DAYS, "--jobs", "2")
            show(f"{sites} sites x {DAYS} days, first review", costs[sites], sites * DAYS)
            copy(drawn, portfolio, sites, "next")
            show(f"{sites} sites, the next day's", review(portfolio, DAYS + 1, "--jobs", "2"), sites)
            shutil.rmtree(portfolio)
        if len(costs) > 1:
            print(f"cost grows with the number of sites to the power of {slope(costs):.3f}")
        if options.cluster_sites:
            copy(drawn, folder / "cluster", options.cluster_sites, "flows")
            compare_workers(folder / "cluster", options.cluster_sites)


def draw(folder: Path) -> Path:
    """The drawn sites: DAYS of them in flows, one day more in next."""
    done = write_portfolio(folder, DRAWN, FIRST, DAYS, roller=ROLLER)
    write_portfolio(folder / "later", DRAWN, FIRST, DAYS + 1, begin_day=DAYS, roller=ROLLER)
    (folder / "later" / "flows").rename(folder / "next")
    print(f"drawn: {DRAWN} sites, {done.records / DRAWN / DAYS / 24:.0f} records a site and hour", flush=True)
    return folder


def copy(drawn: Path, portfolio: Path, sites: int, store: str) -> None:
    """Adds the flows in one of the drawn stores to a portfolio, for so many sites."""
    place = portfolio / "flows"
    make_store(open_backend(place))
    (portfolio / "sites").mkdir(exist_ok=True)
    for number in range(sites):
        model = number % DRAWN
        old, new = f"10.200.0.{model}", f"10.{201 + (number >> 16)}.{number >> 8 & 255}.{number & 255}"
        profile = (drawn / "sites" / f"site-{model:05d}.toml").read_text()
        profile = profile.replace(f'"{old}"', f'"{new}"').replace('name = "', f'name = "{number} ', 1)
        (portfolio / "sites" / f"site-{number:05d}.toml").write_text(profile)
        # The exporter stands in the files' metadata in hexadecimal, which all addresses have the same length in.
        was, now = (to_bytes(address).hex().encode() for address in (old, new))
        for file in sorted((drawn / store / f"exporter={old}").rglob("*.parquet")):
            target = place / f"exporter={new}" / file.parent.name / file.name
            target.parent.mkdir(parents=True, exist_ok=True)
            octets = file.read_bytes().replace(was, now)
            target.write_bytes(octets)
            rolled = drawn / store / rollup_path(file.relative_to(drawn / store).as_posix())
            beside = place / rollup_path(target.relative_to(place).as_posix())
            beside.parent.mkdir(parents=True, exist_ok=True)
            beside.write_bytes(renamed(rolled.read_bytes(), was, now, octets))


def renamed(rolled: bytes, was: bytes, now: bytes, flows: bytes) -> bytes:
    """A roll-up as that of another exporter's flows: its header anew, its tables as they are."""
    front = len(MAGIC) + 4
    length = int.from_bytes(rolled[len(MAGIC) : front], "big")
    body = rolled[front + 16 + length : -TRAILER_OCTETS]
    header = json.loads(rolled[front + 16 : front + 16 + length])
    header["exporter"] = now.decode()
    header["report"] = {
        key: base64.b64encode(base64.b64decode(text).replace(was, now)).decode()
        for key, text in header["report"].items()
    }
    octets = json.dumps(header).encode()
    digest = hashlib.blake2b(octets, digest_size=16).digest()
    trailer = rolled[-TRAILER_OCTETS:-IDENTITY_OCTETS] + identity_of(BytesIO(flows))
    return b"".join([MAGIC, len(octets).to_bytes(4, "big"), digest, octets, body, trailer])


def review(portfolio: Path, days: int, *more: str) -> Cost:
    """Reviews days from FIRST on in processes of its own. Raises CalledProcessError."""
    end = FIRST + timedelta(days=days)
    command = [
        sys.executable, "-c", _WAITED_FOR, *COMMAND,
        "--store", str(portfolio / "flows"), "--sites", str(portfolio / "sites"), "--from", "2026-03-01", "--to",
        f"{end:%Y-%m-%d}", "--format", "json", "--output", str(portfolio / "review.json"), *more,
    ]  # fmt: skip
    before, began = os.times(), time.perf_counter()
    most = 0.0
    with subprocess.Popen(command) as process:
        while process.poll() is None:
            most = max(most, sum(resident(number) for number in family(process.pid)))
            time.sleep(_PAUSE_S)
    if process.returncode:
        raise subprocess.CalledProcessError(process.returncode, command)
    after = os.times()
    cpu = after.children_user + after.children_system - before.children_user - before.children_system
    return Cost(time.perf_counter() - began, cpu, most)


def family(process: int) -> Iterator[int]:
    """A process and all below it."""
    yield process
    try:
        children = Path(f"/proc/{process}/task/{process}/children").read_text().split()
    except (FileNotFoundError, ProcessLookupError):
        return
    for child in children:
        yield from family(int(child))


def resident(process: int) -> float:
    """MiB that a process alone holds in memory: shared libraries count for the part that falls to it (PSS)."""
    try:
        lines = Path(f"/proc/{process}/smaps_rollup").read_text().splitlines()
    except (FileNotFoundError, ProcessLookupError, PermissionError):
        return 0.0
    return sum(int(line.split()[1]) for line in lines if line.startswith("Pss:")) / 1024


def show(what: str, cost: Cost, site_days: int) -> None:
    print(
        f"{what}: {cost.wall_s:.1f} s, {cost.cpu_s:.1f} s of processor time ({cost.cpu_s / 2:.1f} s on two idle cores), "
        f"{1000 * cost.cpu_s / site_days:.1f} ms a site-day, {cost.mebioctets:.0f} MiB",
        flush=True,
    )


def slope(costs: dict[int, Cost]) -> float:
    """Of the straight line through the logarithms, by least squares."""
    points = [(math.log(sites), math.log(cost.cpu_s)) for sites, cost in costs.items()]
    middle = [sum(values) / len(points) for values in zip(*points, strict=True)]
    above = sum((x - middle[0]) * (y - middle[1]) for x, y in points)
    return float(above / sum((x - middle[0]) ** 2 for x, _ in points))


def compare_workers(portfolio: Path, sites: int) -> None:
    """The wall time of one Dask worker to that of two, three times each in turn; nothing is kept in between."""
    ratios = []
    for _ in range(3):
        taken = []
        for workers in (1, 2):
            shutil.rmtree(portfolio / "flows" / "_flowdiag" / "reviewed", ignore_errors=True)
            with cluster(workers) as address:
                review(portfolio, 1, "--cluster", address)  # imports, and what a cold worker costs
                shutil.rmtree(portfolio / "flows" / "_flowdiag" / "reviewed", ignore_errors=True)
                taken.append(review(portfolio, DAYS, "--cluster", address).wall_s)
        ratios.append(taken[0] / taken[1])
        print(
            f"{sites} sites: one worker {taken[0]:.1f} s, two {taken[1]:.1f} s: {ratios[-1]:.2f} times",
            flush=True,
        )
    print(f"two workers are {sorted(ratios)[1]:.2f} times as fast as one (median)")


@contextmanager
def cluster(workers: int) -> Iterator[str]:
    """A Dask scheduler on loopback with workers of one thread each."""
    from tests.review.clusters import running

    with running(workers) as started:
        yield started.address


if __name__ == "__main__":
    main()
