"""What the watch costs: `python -m tests.benchmarks.watch [--sites 100 300 1000] [--rounds 4] [--dask] [--kept FOLDER]`.

Rounds of a watch over a store as a collector keeps it (live_store.py), a minute of records more for each: seconds and processor
seconds of a round, memory of all its processes, and how both grow with the sites. --dask: the same over a cluster on loopback,
of one worker and of two. --make FOLDER: only makes a store there. --kept FOLDER: one that was made before, which minutes are
added to.
"""

from __future__ import annotations

import argparse
import os
import shutil
import tempfile
import threading
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from datetime import datetime
from itertools import pairwise
from math import log
from pathlib import Path
from statistics import median
from typing import Final

from msgspec import Struct
from msgspec.structs import replace

from flowdiag.watch.clock import WatchClock
from flowdiag.watch.ledger import FOLDER
from flowdiag.watch.service import Settings, watching
from tests.benchmarks import live_store
from tests.benchmarks.live_store import LiveStore
from tests.benchmarks.measuring import verdict
from tests.review.clusters import running

MOST_S: Final = 30.0  # of work in a round of MOST_SITES, on two processors
MOST_MIB: Final = 800.0
MOST_SITES: Final = 1000
LEAST_GAIN: Final = 1.6  # of two workers
_TICKS: Final = os.sysconf("SC_CLK_TCK")


class Cost(Struct, frozen=True):
    """Of a round. first: nothing was known of the sites before. mebioctets: of all processes, what they share counted once."""

    sites: int
    first: bool
    seconds: float
    processor_s: float
    mebioctets: float
    events: int


def main() -> None:
    parser = argparse.ArgumentParser(description="Measures the watch.")
    parser.add_argument("--make", type=Path, metavar="FOLDER", help="only make a store and profiles there")
    parser.add_argument("--kept", type=Path, metavar="FOLDER", help="a store that was made before")
    parser.add_argument("--sites", type=int, nargs="*", default=[100, 300, 1000])
    parser.add_argument("--rounds", type=int, default=4, help="after the first (default 4)")
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--dask", action="store_true", help="over a cluster of one worker and of two")
    parser.add_argument(
        "--now", type=datetime.fromisoformat, default=live_store.NOW, help="when its records end, with offset"
    )
    given = parser.parse_args()
    if given.make:
        made = live_store.make(given.make, max(given.sites), given.now)
        print(f"{made.sites} sites in {made.folder}, now_ms {made.now_ms}")
        return
    with tempfile.TemporaryDirectory() as name:
        kept = given.kept or Path(name) / "live"
        if not given.kept:
            live_store.make(kept, max(given.sites), given.now)
        if given.dask:
            _over_clusters(kept, max(given.sites), given.rounds)
        else:
            _by_sites(kept, given.sites, given.rounds, given.jobs)


def _by_sites(folder: Path, sites: Sequence[int], rounds: int, jobs: int) -> None:
    usual = []
    for count in sorted(sites):
        costs = list(measured(live_store.opened(folder), count, rounds, jobs=jobs))
        usual.append(_told(f"{jobs} processes", costs))
    for one, more in pairwise(usual):
        times = log(more.sites / one.sites)
        wall, own = log(more.seconds / one.seconds) / times, log(more.processor_s / one.processor_s) / times
        print(
            f"from {one.sites} to {more.sites} sites: seconds grow with the power {wall:.2f}, processor seconds {own:.2f}"
        )
    most = usual[-1]
    if most.sites >= MOST_SITES:
        print(f"seconds of a round: {verdict(most.seconds, MOST_S, at_most=True)}")
        print(f"MiB of all processes: {verdict(most.mebioctets, MOST_MIB, at_most=True)}")


def _over_clusters(folder: Path, sites: int, rounds: int) -> None:
    seconds = []
    for workers in (1, 2):
        with running(workers) as cluster:
            costs = list(measured(live_store.opened(folder), sites, rounds, cluster=cluster.address))
            seconds.append(_told(f"Dask, {workers} workers", costs).seconds)
    print(
        f"two workers against one: {seconds[0] / seconds[1]:.2f}; {verdict(seconds[0] / seconds[1], LEAST_GAIN)}"
    )


def _told(how: str, costs: Sequence[Cost]) -> Cost:
    """The usual round, which is the median of those after the first."""
    first, *rest = costs
    usual = replace(
        first,
        first=False,
        seconds=median(one.seconds for one in rest),
        processor_s=median(one.processor_s for one in rest),
        mebioctets=max(one.mebioctets for one in costs),
    )
    print(
        f"{usual.sites} sites, {how}: {usual.seconds:.1f} s a round ({usual.processor_s:.1f} s of processors, "
        f"{usual.processor_s / usual.sites * 1000:.0f} ms a site), the first {first.seconds:.1f} s; {usual.mebioctets:.0f} MiB; "
        f"{sum(one.events for one in costs)} events",
        flush=True,
    )
    return usual


def measured(
    store: LiveStore, sites: int, rounds: int, *, jobs: int = 1, cluster: str | None = None
) -> Iterator[Cost]:
    """A round over the first so many sites as they are, then one after each minute that is added."""
    shutil.rmtree(Path(store.flows) / FOLDER, ignore_errors=True)
    with _some_profiles(store, sites) as profiles:
        settings = Settings(store.flows, profiles, jobs=jobs, cluster=cluster)
        with watching(settings, lambda _: None, threading.Event()) as (watcher, holding):
            coming = live_store.further(store, rounds)
            for number in range(rounds + 1):
                store = next(coming) if number else store
                watcher.clock = _standing(store.now_ms)
                held = set(holding.hold())
                before_s, began = _processor_s(), time.perf_counter()
                done = watcher.round(held)
                took = time.perf_counter() - began
                if done.faults or done.sites != sites:
                    raise RuntimeError(f"{done.sites} sites looked at; {dict(list(done.faults.items())[:3])}")
                yield Cost(
                    sites, number == 0, took, _processor_s() - before_s, _mebioctets(), len(done.events)
                )


def _standing(now_ms: int) -> WatchClock:
    return WatchClock(lambda: now_ms / 1000, lambda: now_ms / 1000)


@contextmanager
def _some_profiles(store: LiveStore, sites: int) -> Iterator[Path]:
    with tempfile.TemporaryDirectory() as name:
        for profile in sorted(store.profiles.glob("*.toml"))[:sites]:
            shutil.copy(profile, name)
        yield Path(name)


def _family() -> list[int]:
    """This process and all below it."""
    parents: dict[int, list[int]] = {}
    for process in Path("/proc").glob("[0-9]*"):
        try:
            parent = int((process / "stat").read_text().rpartition(")")[2].split()[1])
        except (FileNotFoundError, ProcessLookupError):
            continue
        parents.setdefault(parent, []).append(int(process.name))
    found = [os.getpid()]
    for one in found:
        found += parents.get(one, [])
    return found


def _processor_s() -> float:
    """Processor seconds of all processes so far."""
    ticks = 0
    for process in _family():
        try:
            fields = Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()
        except (FileNotFoundError, ProcessLookupError):
            continue
        ticks += int(fields[11]) + int(fields[12])
    return ticks / _TICKS


def _mebioctets() -> float:
    """Memory of all processes, what they share counted once (proc(5): Pss)."""
    kibioctets = 0
    for process in _family():
        try:
            lines = Path(f"/proc/{process}/smaps_rollup").read_text().splitlines()
        except (FileNotFoundError, ProcessLookupError):
            continue
        kibioctets += sum(int(line.split()[1]) for line in lines if line.startswith("Pss:"))
    return kibioctets / 1024


if __name__ == "__main__":
    main()
