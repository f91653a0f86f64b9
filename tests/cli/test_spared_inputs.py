"""No result overwrites an input, whatever it is called."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner

from flowdiag.cli.demo import CAPTURE, PROFILE
from flowdiag.cli.main import main
from flowdiag.cli.output import spare_inputs
from flowdiag.errors import UsageError


@pytest.fixture
def demo(demo: Path, tmp_path: Path) -> Path:
    """A copy, for what the commands would do to it."""
    return shutil.copytree(demo, tmp_path / "demo")


def refused(*words: str | Path) -> str:
    """The one line that says why a command is wrong usage."""
    result = CliRunner().invoke(main, [str(word) for word in words])
    assert (result.exit_code, result.stdout) == (2, ""), result.output
    assert result.stderr.count("\n") == 1
    return result.stderr


def commands(export: Path, profile: Path, output: Path) -> list[list[str | Path]]:
    """Every command that reads an export and writes a file."""
    form: list[str | Path] = ["--format", "json", "--output", output]
    return [
        ["diagnose", export, "--site", profile, *form],
        ["inspect", export, *form],
        ["draft", export, "--output", output],
        ["top", "talkers", export, "--site", profile, *form],
        ["usage", export, "--site", profile, *form],
        ["ingest", export, "--store", output.parent / "flows", *form],
    ]


@pytest.mark.parametrize("number", range(6))
def test_no_command_overwrites_the_export(demo: Path, number: int) -> None:
    export = demo / "export"  # no suffix, so that none is refused for that
    (demo / CAPTURE).rename(export)
    before = export.read_bytes()
    assert "overwrite the input" in refused(*commands(export, demo / PROFILE, export)[number])
    assert export.read_bytes() == before


def test_neither_note_nor_picture_overwrites_the_profile(demo: Path) -> None:
    words = ["diagnose", demo / CAPTURE, "--site", demo / PROFILE]
    assert "overwrite" in refused(*words, "--format", "text", "--output", demo / PROFILE)
    picture = demo / "profile.png"
    os.link(demo / PROFILE, picture)
    assert "overwrite" in refused(*words, "--chart", picture)


def test_note_and_picture_are_two_files(demo: Path) -> None:
    words = ["diagnose", demo / CAPTURE, "--site", demo / PROFILE, "--format", "text"]
    assert "two results" in refused(*words, "--chart", demo / "a.png", "--output", demo / "a.png")


def test_links_other_spellings_and_folders_are_seen_through(tmp_path: Path) -> None:
    folder = tmp_path / "in" / "deep"
    folder.mkdir(parents=True)
    export = folder / "export.pcap"
    export.write_bytes(b"x")
    symbolic, hard = tmp_path / "symbolic", tmp_path / "hard"
    symbolic.symlink_to(export)
    os.link(export, hard)
    for output in (symbolic, hard, folder / ".." / "deep" / "export.pcap"):
        for given in (export, tmp_path / "in"):
            with pytest.raises(UsageError, match="overwrite"):
                spare_inputs([output], [given])


def test_a_new_file_beside_the_inputs_and_a_device_are_written(tmp_path: Path) -> None:
    (tmp_path / "export.pcap").write_bytes(b"x")
    spare_inputs(
        [tmp_path / "note.txt", Path(os.devnull), None], [tmp_path, None, "s3://bucket/flows", "none"]
    )


def test_what_standard_input_is_read_from_is_not_overwritten(demo: Path) -> None:
    export = demo / CAPTURE
    before = export.read_bytes()
    words = ["inspect", "-", "--format", "text", "--output", str(export)]
    with export.open("rb") as file:
        run = subprocess.run(
            [sys.executable, "-c", "from flowdiag.cli.main import main; main()", *words],
            stdin=file,
            capture_output=True,
            text=True,
        )
    assert (run.returncode, run.stdout) == (2, "")
    assert "overwrite an input (-)" in run.stderr
    assert export.read_bytes() == before


def test_a_review_overwrites_no_profile(demo: Path) -> None:
    words = [
        "review",
        "--store",
        demo / "flows",
        "--sites",
        demo,
        "--format",
        "text",
        "--output",
        demo / PROFILE,
    ]
    assert "overwrite" in refused(*words)


def test_suffixes_that_are_not_written_are_refused(demo: Path) -> None:
    words = ["diagnose", demo / CAPTURE, "--site", demo / PROFILE]
    assert "--chart does not write .pdf" in refused(*words, "--chart", demo / "a.pdf")
    assert "expected the suffix .png or .svg" in refused(*words, "--chart", demo / "a.gif")
    assert "expected the suffix .toml" in refused("draft", demo / CAPTURE, "--output", demo / "site.json")
    assert ".xlsx" not in refused(*words, "--output", demo / "note.pdf")
