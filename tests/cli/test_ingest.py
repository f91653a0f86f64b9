"""`flowdiag ingest`: what it says it did, and what it refuses."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from flowdiag.cli.main import main
from flowdiag.scenario.bulk import write_bulk

HOUR_MS = 3_600_000


def run(*words: str, code: int = 0) -> Result:
    done = CliRunner().invoke(main, ["ingest", *words])
    assert done.exit_code == code, done.output
    return done


@pytest.fixture
def store(tmp_path: Path) -> str:
    """Two captures of the same three days, of one exporter."""
    for seed in (1, 2):
        write_bulk(tmp_path / f"{seed}.pcap", 2_400, "netflow9", seed, span_ms=70 * HOUR_MS)
    run(str(tmp_path / "1.pcap"), str(tmp_path / "2.pcap"), "--store", str(tmp_path / "flows"), "--jobs", "1")
    return str(tmp_path / "flows")


def test_each_export_has_a_line(tmp_path: Path) -> None:
    whole = write_bulk(tmp_path / "whole.ipfix", 2_400)
    short = write_bulk(tmp_path / "short.ipfix", 2_400, seed=2)
    short.write_bytes(short.read_bytes()[:-700])
    store = ["--store", str(tmp_path / "flows"), "--jobs", "1"]
    assert run(str(whole), str(short), *store).stdout.splitlines() == [
        f"{whole}: 2,400 records added",
        f"{short}: 2,376 records added; 1 kind of problem, see flowdiag inspect",
    ]
    assert run(str(whole), *store).stdout == f"{whole}: is in the store already\n"


def test_merging_says_what_became_of_each_day(store: str) -> None:
    lines = run("--store", store, "--compact").stdout.splitlines()
    days = [f"merged 192.0.2.10, 2026-03-0{day}: 2 files became 1, " for day in (3, 4, 5)]
    assert [line for line, day in zip(lines, days, strict=True) if not line.startswith(day)] == []
    records = [int(line.split(", ")[-1].split()[0].replace(",", "")) for line in lines]
    assert sum(records) == 4_800
    assert run("--store", store, "--compact").stdout == "nothing had to be done\n"


def test_dropping_says_which_days_went_with_how_much(store: str) -> None:
    told = json.loads(run("--store", store, "--retain", "1d", "--format", "json").stdout)
    assert (told["schema"], told["exports"], told["merged"]) == ("flowdiag.ingest/1", [], [])
    assert [(gone["exporter"], gone["day"], gone["files"]) for gone in told["dropped"]] == [
        ("192.0.2.10", "2026-03-03", 2),
        ("192.0.2.10", "2026-03-04", 2),
    ]
    left = sum(file.stat().st_size for file in Path(store).rglob("*.parquet"))
    assert all(0 < gone["records"] < 4_800 and 0 < gone["octets"] < 10 * left for gone in told["dropped"])
    (day,) = Path(store).glob("exporter=*/*")
    assert day.name == "day=2026-03-05"
    assert run("--store", store, "--retain", "1").stdout == "nothing had to be done\n"


def test_old_days_are_dropped_before_the_others_are_merged(store: str) -> None:
    lines = run("--store", store, "--compact", "--retain", "2d").stdout.splitlines()
    assert [line.split(":")[0] for line in lines] == [
        "dropped 192.0.2.10, 2026-03-03",
        "merged 192.0.2.10, 2026-03-04",
        "merged 192.0.2.10, 2026-03-05",
    ]


@pytest.mark.parametrize("days", ["0", "0d", "-3", "90h", "d", "a quarter", "123456"])
def test_a_retention_that_is_none_is_refused(store: str, days: str) -> None:
    assert "is not a number of days such as 90d" in run("--store", store, f"--retain={days}", code=2).stderr


def test_nothing_to_do_is_said(tmp_path: Path) -> None:
    refused = run("--store", str(tmp_path / "flows"), code=2)
    assert "nothing to do" in refused.stderr
    assert not (tmp_path / "flows").exists()


def test_upkeep_of_what_is_no_store_is_refused_and_makes_none(tmp_path: Path) -> None:
    refused = run("--store", str(tmp_path / "flows"), "--compact", code=1)
    assert (
        refused.stderr
        == f"flowdiag: {tmp_path / 'flows'}: there is no flow store; check the path, and that its disk is mounted\n"
    )
    assert not (tmp_path / "flows").exists()
