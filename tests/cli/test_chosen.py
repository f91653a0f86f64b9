"""All a desk types: a site's name; flowdiag.toml tells the rest."""

from __future__ import annotations

import json
import os
import re
import shlex
import subprocess
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from flowdiag.cli import times
from flowdiag.cli.main import main
from tests.review.portfolios import small

DAY = ("--from", "2026-03-01T10:00", "--to", "2026-03-01T11:00")


@pytest.fixture(scope="module")
def desk(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The flowdiag.toml beside a store with the flows of "Kowhai Clinic 0", "Rata Clinic 1" and "Totara Clinic 2"."""
    folder = tmp_path_factory.mktemp("desk")
    portfolio = small(folder, sites=3, days=1)
    file = folder / "flowdiag.toml"
    file.write_text(
        f'store = "{portfolio.store.relative_to(folder)}"\nsites = "{portfolio.sites.relative_to(folder)}"\n'
    )
    return file


def run(*words: str | Path, config: Path | None = None) -> Result:
    named = () if config is None else ("--config", config)
    return CliRunner().invoke(main, [str(word) for word in (*words, *named)])


def test_a_name_is_enough_and_only_the_sites_own_flows_count(desk: Path) -> None:
    by_name = run("diagnose", "--site-name", "rata", *DAY, "--format", "json", config=desk)
    assert by_name.exit_code == 0, by_name.stderr
    assert json.loads(by_name.stdout)["site"] == "Rata Clinic 1"
    profile = desk.parent / "sites" / "site-00001.toml"
    typed = run("diagnose", desk.parent / "flows", "--site", profile, *DAY, "--format", "json")
    assert by_name.stdout == typed.stdout


def test_the_last_day_is_looked_at_unless_a_time_is_named(
    desk: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    now = datetime(2026, 3, 1, 10, tzinfo=UTC)  # 21:00 in Sydney, amid the store's day
    monkeypatch.setattr(times, "now_ms", lambda: round(now.timestamp() * 1000))
    result = run("diagnose", "--site-name", "rata", "--format", "json", config=desk)
    assert result.exit_code == 0, result.stderr
    window = json.loads(result.stdout)["window"]
    end = datetime.fromisoformat(window["to"])
    assert end - datetime.fromisoformat(window["from"]) == timedelta(days=1)
    assert (
        result.stderr.splitlines()[0]
        == "flowdiag: looking at the last day; --from and --to name another time"
    )
    assert run("diagnose", "--site-name", "rata", "--format", "json", "--quiet", config=desk).stderr == ""


@pytest.mark.parametrize("command", [("usage",), ("top", "talkers")], ids=" ".join)
def test_usage_and_top_take_names_too(
    desk: Path, command: tuple[str, ...], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("FLOWDIAG_CONFIG", str(desk))
    by_name = run(*command, "--site-name", "TOTARA", *DAY, "--format", "json")
    assert by_name.exit_code == 0, by_name.stderr
    profile = desk.parent / "sites" / "site-00002.toml"
    assert by_name.stdout == run(*command, "--site", profile, *DAY, "--format", "json").stdout
    assert (
        by_name.stdout
        == run(*command, desk.parent / "flows", "--site", profile, *DAY, "--format", "json").stdout
    )


def test_review_finds_store_and_sites(desk: Path) -> None:
    found = run("review", "--jobs", "1", "--format", "json", config=desk)
    assert found.exit_code == 0, found.stderr
    assert len(json.loads(found.stdout)["sites"]) == 3


def test_names_that_mean_several_are_listed(desk: Path) -> None:
    result = run("diagnose", "--site-name", "clinic", config=desk)
    assert (result.exit_code, result.stdout) == (2, "")
    assert result.stderr.splitlines() == [
        "flowdiag: --site-name: 'clinic' is part of 3 names:",
        "flowdiag:   Kowhai Clinic 0 (site-00000.toml)",
        "flowdiag:   Rata Clinic 1 (site-00001.toml)",
        "flowdiag:   Totara Clinic 2 (site-00002.toml)",
        "flowdiag: write more of the name, or give the profile by --site",
    ]


def test_a_site_without_exporters_does_not_get_the_flows_of_all(desk: Path, tmp_path: Path) -> None:
    text = (desk.parent / "sites" / "site-00001.toml").read_text(encoding="utf-8")
    profile = tmp_path / "site.toml"
    profile.write_text(re.sub(r"exporters = .*\n", "", text), encoding="utf-8")
    result = run("diagnose", "--site", profile, *DAY, config=desk)
    assert (result.exit_code, result.stdout) == (2, "")
    assert result.stderr == (
        f"flowdiag: {profile}: site.exporters is missing, and the store holds flows of 3 exporters; expected the site's own "
        "of 10.200.0.0, 10.200.0.1, 10.200.0.2\n"
    )


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (
            ("diagnose",),
            "EXPORT is missing; expected an export, or --site-name where flowdiag.toml names a store and sites",
        ),
        (("top", "talkers"), "EXPORT is missing"),
        (("usage", "export.pcap"), "--site is missing; expected --site SITE.toml or --site-name NAME"),
        (("diagnose", "--site", "x.toml", "--site-name", "rata"), "--site-name would contradict --site"),
    ],
)
def test_wrong_usage(desk: Path, words: tuple[str, ...], says: str) -> None:
    result = run(*words, config=desk)
    assert (result.exit_code, result.stdout) == (2, "")
    assert says in result.stderr


def test_a_configuration_that_is_not_there_is_an_input_that_cannot_be_used(tmp_path: Path) -> None:
    result = run("diagnose", "--site-name", "rata", config=tmp_path / "none.toml")
    assert (result.exit_code, result.stdout) == (1, "")
    assert "none.toml: no such file; expected flowdiag.toml with lines such as" in result.stderr


@pytest.fixture(scope="module")
def program(tmp_path_factory: pytest.TempPathFactory) -> str:
    """A search path on which `flowdiag` is."""
    folder = tmp_path_factory.mktemp("bin")
    script = folder / "flowdiag"
    code = "from flowdiag.cli.main import main; main()"
    script.write_text(f'#!/bin/sh\nexec {shlex.quote(sys.executable)} -c "{code}" "$@"\n')
    script.chmod(0o755)
    return f"{folder}{os.pathsep}{os.environ['PATH']}"


@pytest.mark.parametrize(
    ("typed", "completed"),
    [
        ("flowdiag diagnose --site-name rat", ["'Rata Clinic 1'"]),
        (
            "flowdiag top talkers --site-name CLINIC",
            ["'Kowhai Clinic 0'", "'Rata Clinic 1'", "'Totara Clinic 2'"],
        ),
        ("flowdiag usage --site-name nowhere", []),
    ],
)
def test_bash_completes_names_of_sites(desk: Path, program: str, typed: str, completed: list[str]) -> None:
    *_, last = words = typed.split()
    script = f"""
        eval "$(_FLOWDIAG_COMPLETE=bash_source flowdiag)"
        COMP_WORDS=({" ".join(words)})
        COMP_CWORD={len(words) - 1}
        _flowdiag_completion flowdiag {last} {words[-2]}
        printf '%s\\n' "${{COMPREPLY[@]}}"
    """
    environment = os.environ | {"PATH": program, "FLOWDIAG_CONFIG": str(desk)}
    done = subprocess.run(
        ["bash", "-c", script], env=environment, capture_output=True, text=True, check=False
    )
    assert (done.stdout.split("\n")[:-1], done.stderr) == (completed or [""], "")
