"""Which worker has which home, and that a cluster keeps to it, also when a worker dies."""

from __future__ import annotations

import os
import time
from collections import Counter
from collections.abc import Iterator

import pytest
from hypothesis import given
from hypothesis import strategies as st
from msgspec import Struct

from flowdiag.collector.store import cluster as clusters
from flowdiag.collector.store.cluster import ClusterWorkers, open_steady_workers
from flowdiag.collector.store.homes import Homes
from flowdiag.collector.store.workers import Count
from tests.review.clusters import Cluster, running


class Asked(Struct, frozen=True):
    home: int
    takes_s: float = 0.0


def process_of(task: Asked, count: Count) -> int:
    time.sleep(task.takes_s)
    count(1)
    return os.getpid()


@given(st.lists(st.integers(0, 31), max_size=200), st.integers(1, 5))
def test_a_home_stays_and_no_worker_has_more_than_its_share_and_one_home(
    asked: list[int], workers: int
) -> None:
    homes: Homes[int] = Homes()
    tasks = [Asked(home) for home in asked]
    places = homes.places(tasks, range(workers))
    assert homes.places(tasks, range(workers)) == places
    loads = Counter(places)
    largest = max(Counter(asked).values(), default=0)
    assert all(load <= len(asked) / workers + largest for load in loads.values())
    assert len(set(zip(asked, places, strict=True))) == len(set(asked))


def test_homes_of_a_worker_that_is_gone_go_to_the_others_and_no_other_home_moves() -> None:
    homes: Homes[str] = Homes()
    tasks = [Asked(home) for home in range(12)]
    before = homes.places(tasks, ["a", "b", "c"])
    after = homes.places(tasks, ["a", "c"])
    assert [one for one in before if one != "b"] == [
        new for old, new in zip(before, after, strict=True) if old != "b"
    ]
    assert Counter(after) == {"a": 6, "c": 6}


def test_a_worker_that_comes_has_its_share_and_nothing_else_moves() -> None:
    homes: Homes[str] = Homes()
    tasks = [Asked(home) for home in range(32)]
    assert set(homes.places(tasks, ["a"])) == {"a"}
    two = homes.places(tasks, ["a", "b"])
    assert max(Counter(two).values()) <= 18  # an eighth of 16 more than the other
    assert homes.places(tasks, ["a", "b"]) == two
    three = homes.places(tasks, ["a", "b", "c"])
    assert max(Counter(three).values()) <= 12
    moved = {new for old, new in zip(two, three, strict=True) if old != new}
    assert moved == {"c"}


def test_what_is_asked_of_some_homes_alone_moves_none() -> None:
    """Where another watch died, there are rounds of its sites alone."""
    homes: Homes[str] = Homes()
    tasks = [Asked(home) for home in range(8)]
    before = homes.places(tasks, ["a", "b"])
    only = [task for task, place in zip(tasks, before, strict=True) if place == "a"]
    assert homes.places(only, ["a", "b"]) == ["a"] * len(only)
    assert homes.places(tasks, ["a", "b"]) == before


def test_sizes_that_change_a_little_move_nothing_and_much_moves_something() -> None:
    homes: Homes[str] = Homes()
    tasks = [Asked(home) for home in range(32)]
    before = homes.places(tasks, ["a", "b"])
    assert homes.places([*tasks, Asked(0)], ["a", "b"])[:32] == before
    grown = homes.places(tasks + [Asked(home) for home in range(0, 32, 2)] * 3, ["a", "b"])
    assert max(Counter(grown).values()) <= 1.2 * min(Counter(grown).values())


def test_what_has_no_home_and_what_has_no_worker_has_no_place() -> None:
    homes: Homes[str] = Homes()
    assert homes.places(["anything"], ["a"]) == [None]
    assert homes.places([Asked(1)], []) == [None]


@pytest.fixture
def cluster() -> Iterator[Cluster]:
    with running(2) as started:
        yield started


@pytest.mark.slow
def test_a_cluster_keeps_homes_where_they_are_until_a_worker_dies(
    cluster: Cluster, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(clusters, "LOST_S", 0.2)
    # Of one home all take long, so that a scheduler that may would move some of them.
    tasks = [Asked(home, 0.1 if home == 0 else 0.0) for home in range(4) for _ in range(5)]
    with open_steady_workers(1, cluster.address) as workers:
        assert isinstance(workers, ClusterWorkers)
        first = workers.all(process_of, tasks)
        assert workers.all(process_of, tasks) == first
        assert len({(task.home, process) for task, process in zip(tasks, first, strict=True)}) == 4
        assert set(Counter(first).values()) == {10}

        killed = cluster.workers[0].pid
        (left,) = set(first) - {killed}
        done = {}
        for number, process in workers.each(process_of, [Asked(home, 0.1) for home in range(4)] * 5):
            if not done:
                time.sleep(0.5)  # some are done by then on the worker that dies, and not fetched yet
                cluster.workers[0].kill()
                cluster.workers[0].wait()
            done[number] = process
        assert sorted(done) == list(range(20))
        assert left in done.values()
        assert set(workers.all(process_of, tasks)) == {left}


@pytest.mark.slow
def test_who_stops_to_listen_leaves_a_cluster_nothing_to_do(cluster: Cluster) -> None:
    with open_steady_workers(1, cluster.address) as workers:
        for _ in workers.each(process_of, [Asked(home, 0.2) for home in range(100)]):
            break
        begun_s = time.monotonic()
        workers.all(process_of, [Asked(0), Asked(1)])
        assert time.monotonic() - begun_s < 5.0  # and not the ten seconds that the others take
