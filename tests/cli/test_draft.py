"""`flowdiag draft` from the command line."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner

from flowdiag.cli.demo import CAPTURE
from flowdiag.cli.main import main
from flowdiag.site.reading import read_profile


@pytest.fixture(scope="module")
def capture(demo: Path) -> Path:
    return demo / CAPTURE


@pytest.fixture(scope="module")
def drafted(capture: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    profile = tmp_path_factory.mktemp("drafted") / "site.toml"
    result = CliRunner().invoke(main, ["draft", str(capture), "--output", str(profile)])
    assert (result.exit_code, result.output) == (0, "")
    return profile


def filled_in(profile: Path, place: Path, *rates: float) -> Path:
    """The draft as a person leaves it: each commented rate replaced by that of the plan."""
    values = iter(rates)
    text = re.sub(
        r"(?m)^# (down|up)_mbps = .*$", lambda key: f"{key[1]}_mbps = {next(values)}", profile.read_text()
    )
    place.write_text(text)
    return place


def test_the_draft_is_a_profile_that_diagnose_takes_once_its_rates_are_filled_in(
    capture: Path, drafted: Path, tmp_path: Path
) -> None:
    """The invented site bought 100 down and 20 up, and 30 and 5 for its backup; its upload was full."""
    profile = filled_in(drafted, tmp_path / "site.toml", 100, 20, 30, 5)
    read = read_profile(profile)
    assert [(link.interfaces, link.down_mbps, link.up_mbps) for link in read.link] == [
        ([2], 100, 20),
        ([3], 30, 5),
    ]
    result = CliRunner().invoke(
        main, ["diagnose", str(capture), "--site", str(profile), "--reported", "slow", "--format", "json"]
    )
    assert result.exit_code == 0
    assert json.loads(result.stdout)["verdict"]["code"] == "link-full"


@pytest.mark.parametrize("command", ["diagnose", "usage"])
def test_a_fresh_draft_is_refused_by_what_judges(command: str, capture: Path, drafted: Path) -> None:
    result = CliRunner().invoke(main, [command, str(capture), "--site", str(drafted)])
    assert (result.exit_code, result.stdout) == (1, "")
    assert result.stderr.count("\n") == 1
    assert result.stderr.startswith(
        f"flowdiag: {drafted}: has no plan rate in link[1].down_mbps (link 'wan0'): the highest seen was 20.5 Mbit/s over "
    )


def test_one_rate_that_is_missing_is_refused_by_its_key(capture: Path, drafted: Path, tmp_path: Path) -> None:
    profile = filled_in(drafted, tmp_path / "site.toml", 100, 20, 30, 5)
    profile.write_text(profile.read_text().replace("up_mbps = 5\n", ""))
    result = CliRunner().invoke(main, ["diagnose", str(capture), "--site", str(profile)])
    assert result.exit_code == 1
    assert "link[2].up_mbps (link 'wan1'): the highest seen was under 0.001 Mbit/s" in result.stderr
    assert "down_mbps" not in result.stderr


def test_a_fresh_draft_serves_what_only_counts(capture: Path, drafted: Path) -> None:
    words = ["top", "talkers", str(capture), "--site", str(drafted), "--link", "wan0", "--format", "json"]
    result = CliRunner().invoke(main, words)
    assert (result.exit_code, result.stderr) == (0, "")
    assert json.loads(result.stdout)["rows"][0]["key"] == "192.168.40.20"


def test_standard_input_gives_the_same_draft(capture: Path) -> None:
    command = [sys.executable, "-c", "from flowdiag.cli.main import main; main()", "draft", "-"]
    with capture.open("rb") as file:
        piped = subprocess.run(command, stdin=file, capture_output=True, text=True, check=True)
    assert piped.stderr == ""
    assert piped.stdout == CliRunner().invoke(main, ["draft", str(capture)]).stdout


def test_standard_input_is_called_so_in_errors() -> None:
    result = CliRunner().invoke(main, ["draft", "-"], input=b"Dear support\n" * 50)
    assert result.exit_code == 1
    assert result.stderr.startswith("flowdiag: standard input")


def test_an_input_without_flow_exports_is_one_line(tmp_path: Path) -> None:
    file = tmp_path / "letter.txt"
    file.write_text("Dear support\n" * 50)
    result = CliRunner().invoke(main, ["draft", str(file)])
    assert (result.exit_code, result.stdout) == (1, "")
    assert result.stderr.startswith(f"flowdiag: {file}")
    assert result.stderr.count("\n") == 1
