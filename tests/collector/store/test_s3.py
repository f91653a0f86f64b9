"""A store in an object store: a real S3 server (moto) on loopback, and flowdiag as processes of its own."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pyarrow.fs as arrow_fs
import pytest
from moto.server import ThreadedMotoServer

from flowdiag.collector.store.kept_rollups import find_kept_rollups
from flowdiag.collector.store.opening import open_backend
from flowdiag.rollup.stored import read_kept
from flowdiag.scenario.bulk import write_bulk
from tests.collector.store.captures import exports
from tests.collector.store.rollers import rollups_in

STORE = "s3://flows/of-all"


@pytest.fixture(scope="module")
def server() -> Iterator[dict[str, str]]:
    """The environment of a process that finds the bucket `flows` on the server."""
    started = ThreadedMotoServer(ip_address="127.0.0.1", port=0, verbose=False)
    started.start()
    host, port = started.get_host_and_port()
    yield {
        "AWS_ENDPOINT_URL": f"http://{host}:{port}",
        "AWS_ACCESS_KEY_ID": "invented",
        "AWS_SECRET_ACCESS_KEY": "invented",
        "AWS_DEFAULT_REGION": "us-east-1",
        "AWS_EC2_METADATA_DISABLED": "true",
    }
    started.stop()


@pytest.fixture
def bucket(server: dict[str, str], monkeypatch: pytest.MonkeyPatch) -> Any:
    """pyarrow's own view of the bucket, empty at first."""
    for name, value in server.items():
        monkeypatch.setenv(name, value)
    filesystem, _ = arrow_fs.FileSystem.from_uri("s3://flows?allow_bucket_creation=true")
    filesystem.create_dir("flows")
    filesystem.delete_dir_contents("flows")
    return filesystem


def start(*words: str) -> subprocess.Popen[str]:
    code = "from flowdiag.cli.main import main; main()"
    return subprocess.Popen(
        [sys.executable, "-c", code, *words],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env=os.environ,
    )


def run(*words: str) -> str:
    process = start(*words)
    out, err = process.communicate(timeout=120)
    assert process.returncode == 0, err
    return out


def records(store: str) -> int:
    return int(json.loads(run("inspect", store, "--format", "json"))["records"])


def files(bucket: Any) -> list[str]:
    listed = bucket.get_file_info(arrow_fs.FileSelector("flows/of-all", recursive=True))
    return sorted(
        info.path for info in listed if info.path.endswith(".parquet") and "/exporter=" in info.path
    )


def test_what_is_kept_in_a_bucket_is_known_again_and_answers_as_the_export_does(
    bucket: Any, demo: Path
) -> None:
    export, site = str(demo / "export.ipfix"), ["--site", str(demo / "site.toml")]
    (added,) = json.loads(run("ingest", export, "--store", STORE, "--format", "json"))["exports"]
    assert added["state"] == "added"
    (known,) = json.loads(run("ingest", export, "--store", STORE, "--format", "json"))["exports"]
    assert known["state"] == "known"
    hour = [*site, "--from", "14:00", "--to", "15:00", "--format", "json"]
    assert run("diagnose", STORE, *hour) == run("diagnose", export, *hour)
    assert files(bucket)


def test_two_writers_at_once_add_each_export_once_and_small_files_become_one(
    bucket: Any, tmp_path: Path
) -> None:
    paths = [str(path) for path in exports(tmp_path / "exports", 3, records=2_400)]
    writers = [start("ingest", *paths, "--store", STORE, "--quiet") for _ in range(2)]
    for writer in writers:
        _, err = writer.communicate(timeout=120)
        assert writer.returncode == 0, err
    assert records(STORE) == 3 * 2_400
    before = files(bucket)
    run("ingest", "--store", STORE, "--compact")
    assert len(files(bucket)) < len(before)
    assert records(STORE) == 3 * 2_400


def test_old_days_leave_the_bucket_and_are_named(bucket: Any, tmp_path: Path) -> None:
    """An export of three days: the first two go."""
    export = write_bulk(tmp_path / "export.ipfix", 2_400, span_ms=3 * 86_400_000)
    run("ingest", str(export), "--store", STORE)
    told = run("ingest", "--store", STORE, "--retain", "1d")
    assert "2026-03-03" in told
    assert "2026-03-04" in told
    assert not [path for path in files(bucket) if "day=2026-03-03" in path or "day=2026-03-04" in path]
    assert 0 < records(STORE) < 2_400


def rollups(bucket: Any) -> dict[str, bytes]:
    listed = bucket.get_file_info(arrow_fs.FileSelector("flows/of-all", recursive=True))
    paths = sorted(info.path for info in listed if info.path.endswith(".rollup"))
    return {path: bucket.open_input_file(path).read() for path in paths}


def test_roll_ups_in_a_bucket_come_and_stay_and_go_as_in_a_folder(bucket: Any, tmp_path: Path) -> None:
    """Two exports of the same three days."""
    for seed in (1, 2):
        write_bulk(tmp_path / f"{seed}.pcap", 4_800, "netflow9", seed, span_ms=70 * 3_600_000)
    folder = tmp_path / "folder"
    for store in (STORE, str(folder)):
        run("ingest", str(tmp_path / "1.pcap"), str(tmp_path / "2.pcap"), "--store", store, "--jobs", "1")
    made = rollups(bucket)
    assert len(made) == 6
    assert list(made.values()) == list(rollups_in(folder).values())
    run("ingest", "--store", STORE, "--compact")
    merged = rollups(bucket)
    assert len(merged) == len(files(bucket)) == 3
    bucket.delete_file(next(iter(merged)))
    with bucket.open_output_stream(list(merged)[1]) as file:
        file.write(b"damaged")
    told = json.loads(run("ingest", "--store", STORE, "--rebuild", "--jobs", "1", "--format", "json"))
    assert [(day["made"], day["damaged"]) for day in told["rebuilt"]] == [(1, 0), (1, 1)]
    assert rollups(bucket) == merged
    told = json.loads(
        run("ingest", "--store", STORE, "--retain", "1d", "--retain-rollups", "2d", "--format", "json")
    )
    assert [(day["files"], day["rollups_kept"]) for day in told["dropped"]] == [(1, 0), (1, 1)]
    assert len(files(bucket)) == 1
    assert rollups(bucket) == dict(list(merged.items())[1:])
    backend = open_backend(STORE)
    (kept,) = find_kept_rollups(backend)
    rollup = read_kept(backend, kept.rollups[0], ())
    assert rollup is not None
    assert rollup.facts.rows > 1_000


def test_a_bucket_that_is_not_there_is_one_clear_line(bucket: Any, tmp_path: Path) -> None:
    (path,) = exports(tmp_path / "exports", 1, records=240)
    process = start("ingest", str(path), "--store", "s3://nowhere/flows")
    _, err = process.communicate(timeout=120)
    assert process.returncode == 1
    (line,) = err.splitlines()
    assert "s3://nowhere/flows" in line
