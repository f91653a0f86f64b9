"""On a real Dask cluster on loopback: the same octets as on one machine, also when a worker is killed in the middle."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from flowdiag.collector.store.ingest import ingest
from flowdiag.errors import ClusterError, UsageError
from flowdiag.review import as_json
from flowdiag.review.period import month_period
from flowdiag.review.portfolio_review import review
from flowdiag.review.sites import read_sites
from flowdiag.scenario.bulk import write_bulk
from tests.review.clusters import Cluster, running
from tests.review.portfolios import small

MARCH = month_period("2026-03")


@pytest.fixture(scope="module")
def cluster() -> Iterator[Cluster]:
    """Two workers, of which one test kills one."""
    with running(2) as started:
        yield started


def test_exports_are_ingested_the_same_as_here(cluster: Cluster, tmp_path: Path) -> None:
    (tmp_path / "exports").mkdir()
    for seed in (1, 2, 3):
        write_bulk(tmp_path / "exports" / f"{seed}.ipfix", 3_000, seed=seed)
    there = ingest([tmp_path / "exports"], tmp_path / "there", cluster=cluster.address)
    here = ingest([tmp_path / "exports"], tmp_path / "here")
    assert [(done.state, done.records) for done in there] == [("added", 3_000)] * 3
    assert here == there
    assert flows(tmp_path / "there") == flows(tmp_path / "here")
    assert flows(tmp_path / "here")
    assert {
        done.state for done in ingest([tmp_path / "exports"], tmp_path / "there", cluster=cluster.address)
    } == {"known"}


def flows(store: Path) -> dict[str, bytes]:
    return {str(path.relative_to(store)): path.read_bytes() for path in sorted(store.rglob("*.parquet"))}


def test_standard_input_is_not_read_on_a_cluster(cluster: Cluster, tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="standard input"):
        ingest(["-"], tmp_path / "store", cluster=cluster.address)


def test_a_worker_killed_in_the_middle_changes_nothing(cluster: Cluster, tmp_path: Path) -> None:
    done = small(tmp_path, sites=12, days=8)
    sites, _ = read_sites(done.sites)
    here = as_json.render(review(str(done.store), sites, MARCH, keep=False))
    killed: list[int] = []

    def kill_one(reviewed: int, _: int) -> None:
        if reviewed >= 3 and not killed:
            killed.append(reviewed)
            cluster.workers[0].kill()
            cluster.workers[0].wait()

    there = as_json.render(review(str(done.store), sites, MARCH, cluster=cluster.address, progress=kill_one))
    assert killed
    assert killed[0] < len(sites)
    assert there == here
    assert as_json.render(review(str(done.store), sites, MARCH)) == here  # what its workers kept is right too


def test_a_cluster_without_workers_is_said_in_a_line(tmp_path: Path) -> None:
    done = small(tmp_path, sites=1, days=1)
    sites, _ = read_sites(done.sites)
    with running(0) as empty, pytest.raises(ClusterError, match="has no workers"):
        review(str(done.store), sites, MARCH, cluster=empty.address)
