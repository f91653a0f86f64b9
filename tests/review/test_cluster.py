"""On a real Dask cluster on loopback: the same octets as on one machine, also when a worker is killed in the middle."""

from __future__ import annotations

import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from flowdiag.collector.store.changes import ASIDE_FORGOTTEN_S, sweep
from flowdiag.collector.store.ingest import ingest
from flowdiag.collector.store.opening import open_backend
from flowdiag.collector.store.rebuilding import rebuild
from flowdiag.errors import ClusterError, UsageError
from flowdiag.review import as_json
from flowdiag.review.period import month_period
from flowdiag.review.portfolio_review import review
from flowdiag.review.sites import read_sites
from flowdiag.rollup import ROLLER
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
    there = ingest([tmp_path / "exports"], tmp_path / "there", cluster=cluster.address, roller=ROLLER)
    here = ingest([tmp_path / "exports"], tmp_path / "here", roller=ROLLER)
    assert [(done.state, done.records) for done in there] == [("added", 3_000)] * 3
    assert here == there
    assert flows(tmp_path / "there") == flows(tmp_path / "here")
    assert flows(tmp_path / "here")
    assert {
        done.state for done in ingest([tmp_path / "exports"], tmp_path / "there", cluster=cluster.address)
    } == {"known"}


def flows(store: Path) -> dict[str, bytes]:
    """With the roll-ups beside them."""
    paths = [path for path in sorted(store.rglob("*")) if path.suffix in (".parquet", ".rollup")]
    assert {path.suffix for path in paths} == {".parquet", ".rollup"}
    return {str(path.relative_to(store)): path.read_bytes() for path in paths}


def test_roll_ups_are_made_anew_there_as_here(cluster: Cluster, tmp_path: Path) -> None:
    store = tmp_path / "flows"
    ingest([write_bulk(tmp_path / "1.ipfix", 3_000)], store, roller=ROLLER)
    before = flows(store)
    for path in store.rglob("*.rollup"):
        path.unlink()
    assert [done.made for done in rebuild(store, ROLLER, cluster=cluster.address)] == [True]
    assert flows(store) == before


def test_a_worker_killed_while_it_decodes_changes_no_octet(tmp_path: Path) -> None:
    (tmp_path / "exports").mkdir()
    for seed in range(1, 9):
        write_bulk(tmp_path / "exports" / f"{seed}.ipfix", 24_000, seed=seed)
    octets = sum(path.stat().st_size for path in (tmp_path / "exports").iterdir())
    killed: list[int] = []
    with running(2) as cluster:

        def kill_one(done: int, _: int) -> None:
            if done > octets and not killed:  # known, and some of it decoded
                killed.append(done)
                cluster.workers[0].kill()
                cluster.workers[0].wait()

        there = ingest(
            [tmp_path / "exports"],
            tmp_path / "there",
            cluster=cluster.address,
            progress=kill_one,
            roller=ROLLER,
        )
    assert killed
    assert killed[0] < 2 * octets
    here = ingest([tmp_path / "exports"], tmp_path / "here", roller=ROLLER)
    assert there == here
    aside = tmp_path / "there" / "_flowdiag" / "aside"
    assert sweep(open_backend(tmp_path / "there"), time.time() + 2 * ASIDE_FORGOTTEN_S) >= 0
    assert not [path for path in aside.rglob("*") if path.is_file()]
    assert flows(tmp_path / "there") == flows(tmp_path / "here")


def test_standard_input_is_not_read_on_a_cluster(cluster: Cluster, tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="standard input"):
        ingest(["-"], tmp_path / "store", cluster=cluster.address)


def test_a_worker_killed_in_the_middle_changes_nothing(cluster: Cluster, tmp_path: Path) -> None:
    done = small(tmp_path, sites=12, days=4, roller=ROLLER)
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
