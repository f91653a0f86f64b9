"""`flowdiag draft` from the command line."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner

from flowdiag.cli.demo import CAPTURE, write_demo
from flowdiag.cli.main import main
from flowdiag.site.reading import read_profile


@pytest.fixture(scope="module")
def capture(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("demo")
    write_demo(folder)
    return folder / CAPTURE


def test_the_draft_is_a_profile_that_diagnose_takes(capture: Path, tmp_path: Path) -> None:
    profile = tmp_path / "site.toml"
    result = CliRunner().invoke(main, ["draft", str(capture), "--output", str(profile)])
    assert (result.exit_code, result.output) == (0, "")
    assert [link.interfaces for link in read_profile(profile).link] == [[2], [3]]
    assert CliRunner().invoke(main, ["diagnose", str(capture), "--site", str(profile)]).exit_code == 0


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
