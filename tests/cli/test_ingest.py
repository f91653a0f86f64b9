"""`flowdiag ingest`: what it says it did, and what it refuses."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from flowdiag.cli.main import main
from flowdiag.scenario.bulk import write_bulk
from tests.collector.store.rollers import rollups_in

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


@pytest.fixture
def rolled(tmp_path: Path) -> Path:
    """A capture of three days with enough records a day for a roll-up."""
    write_bulk(tmp_path / "large.pcap", 4_800, "netflow9", 1, span_ms=70 * HOUR_MS)
    run(str(tmp_path / "large.pcap"), "--store", str(tmp_path / "rolled"), "--jobs", "1")
    return tmp_path / "rolled"


def test_roll_ups_are_made_anew_and_said_by_day(rolled: Path) -> None:
    before = rollups_in(rolled)
    assert len(before) == 3
    first, second, _ = before
    (rolled / first).write_bytes(b"damaged")
    (rolled / second).unlink()
    words = ["--store", str(rolled), "--jobs", "1", "--rebuild"]
    assert run(*words).stdout.splitlines() == [
        "made 1 roll-up of 192.0.2.10, 2026-03-03 anew, 1 in place of a damaged one",
        "made 1 roll-up of 192.0.2.10, 2026-03-04 anew",
    ]
    assert rollups_in(rolled) == before
    assert run(*words).stdout == "nothing had to be done\n"
    told = json.loads(run("--store", str(rolled), "--jobs", "2", "--rebuild-all", "--format", "json").stdout)
    assert told["rebuilt"] == [
        {"exporter": "192.0.2.10", "day": f"2026-03-0{day}", "made": 1, "damaged": 0, "faults": []}
        for day in (3, 4, 5)
    ]
    assert rollups_in(rolled) == before


def test_merging_mends_damaged_roll_ups_and_says_so(rolled: Path) -> None:
    before = rollups_in(rolled)
    (rolled / next(iter(before))).write_bytes(b"damaged")
    assert run("--store", str(rolled), "--compact").stdout.splitlines() == [
        "made 1 roll-up of 192.0.2.10, 2026-03-03 anew, 1 in place of a damaged one"
    ]
    assert rollups_in(rolled) == before


def test_roll_ups_of_dropped_days_are_kept_as_long_as_was_said(rolled: Path) -> None:
    lines = run("--store", str(rolled), "--retain", "1d", "--retain-rollups", "3d").stdout.splitlines()
    assert [line.partition(":")[0] for line in lines] == [
        "dropped 192.0.2.10, 2026-03-03",
        "dropped 192.0.2.10, 2026-03-04",
    ]
    assert all(line.endswith("octets; 1 roll-up kept") for line in lines)
    assert len(rollups_in(rolled)) == 3
    words = "--store", str(rolled), "--retain", "1d", "--retain-rollups", "2d"
    (line,) = run(*words).stdout.splitlines()
    assert line.startswith("dropped 1 roll-up of 192.0.2.10, 2026-03-03: ")
    told = json.loads(run("--store", str(rolled), "--retain", "1d", "--format", "json").stdout)
    assert [(gone["day"], gone["files"], gone["rollups_dropped"]) for gone in told["dropped"]] == [
        ("2026-03-04", 0, 1)
    ]
    assert len(rollups_in(rolled)) == 1


@pytest.mark.parametrize("command", ["ingest", "collect"])
@pytest.mark.parametrize(
    ("days", "asked"), [(["--retain", "30d"], "and --retain 30d"), ([], "without --retain")]
)
def test_roll_ups_cannot_go_before_their_flows(
    tmp_path: Path, command: str, days: list[str], asked: str
) -> None:
    words = ["--store", str(tmp_path / "flows"), *days, "--retain-rollups", "29d"]
    listen = ["--listen", "127.0.0.1:0"] if command == "collect" else []
    done = CliRunner().invoke(main, [command, *listen, *words])
    assert done.exit_code == 2
    (line,) = [line for line in done.stderr.splitlines() if "retain" in line]
    assert f"--retain-rollups 29d {asked}" in line
    assert not (tmp_path / "flows").exists()


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
