"""What `flowdiag diagnose` writes in each format, whole programs timed and hostile text thrown at it."""

from __future__ import annotations

import csv
import json
import os
import re
import subprocess
import sys
import time
from pathlib import Path

import html5lib
import pytest
from click.testing import CliRunner, Result
from jsonschema import Draft202012Validator

from flowdiag.cli.demo import CAPTURE, PROFILE
from flowdiag.cli.main import main
from flowdiag.note.json_note import SCHEMA_FILE

WINDOW = ("--from", "14:10", "--to", "14:50")
PYTHON = (sys.executable, "-c", "from flowdiag.cli.main import main; main()")
FORMATS = ("text", "markdown", "html", "json")
HOSTILE = "\x1b[31m<script>alert(1)</script>\u202e|`=1+1 [x](http://a.example)\r\n# h \x9b2J\x00\u200b"
# What steers a terminal, reverses text or hides.
STEERING = set("\x1b\x9b\r\x00\u202e\u200b")


def run(demo: Path, *arguments: str | Path, profile: Path | None = None) -> Result:
    result = CliRunner().invoke(
        main,
        [
            "diagnose",
            str(demo / CAPTURE),
            "--site",
            str(profile or demo / PROFILE),
            *WINDOW,
            *map(str, arguments),
        ],
    )
    assert (result.exit_code, result.stderr) == (0, "")
    return result


@pytest.mark.parametrize("form", FORMATS)
def test_every_format_has_the_answer_and_ends_with_one_newline(demo: Path, form: str) -> None:
    shown = run(demo, "--format", form, "--ticket", "T-1042", "--reported", "video calls freeze").stdout
    assert shown.endswith("\n")
    assert not shown.endswith("\n\n")
    for said in ("T-1042", "Puriri Point Ferry Office", "video calls freeze", "link-full", "192.168.40.20"):
        assert said in shown


@pytest.mark.parametrize(
    ("name", "start"),
    [("n.txt", "Ticket note"), ("n.md", "# Ticket note"), ("n.html", "<!doctype html>"), ("n.json", "{")],
)
def test_the_suffix_of_the_output_picks_the_format(demo: Path, tmp_path: Path, name: str, start: str) -> None:
    result = run(demo, "--output", tmp_path / name)
    assert result.stdout == ""
    assert (tmp_path / name).read_text(encoding="utf-8").lstrip().startswith(start)


def test_the_json_is_valid_by_the_schema_that_ships(demo: Path) -> None:
    schema = json.loads(SCHEMA_FILE.read_text(encoding="utf-8"))
    Draft202012Validator(schema).validate(json.loads(run(demo, "--format", "json").stdout))


@pytest.fixture
def hostile_profile(demo: Path, tmp_path: Path) -> Path:
    """The demo's profile with a link and a label that try to be something else."""
    quoted = json.dumps(HOSTILE)
    content = (demo / PROFILE).read_text(encoding="utf-8")
    content = content.replace('name = "fibre"', f"name = {quoted}")
    content = content.replace('name = "ticket-hall archive"', f"name = {quoted}")
    profile = tmp_path / "hostile.toml"
    profile.write_text(content, encoding="utf-8")
    return profile


@pytest.mark.parametrize("form", FORMATS)
def test_hostile_text_is_harmless_in_every_format(demo: Path, hostile_profile: Path, form: str) -> None:
    arguments = (
        "--format",
        form,
        "--ticket",
        HOSTILE.replace("\x00", ""),
        "--reported",
        HOSTILE.replace("\x00", ""),
    )
    shown = run(demo, *arguments, profile=hostile_profile).stdout
    assert "alert" in shown  # as text it is there
    assert not STEERING & set(shown)
    assert not [c for c in shown if not c.isprintable() and c != "\n"]
    if form in ("html", "markdown"):
        assert "<script" not in shown
    if form == "html":
        html5lib.HTMLParser(strict=True).parse(shown)
    if form == "markdown":
        assert not [line for line in shown.splitlines() if line.startswith(("# h", "=1"))]
        assert "[x](http" not in shown.replace("\\", "\0")  # both brackets stay escaped


FORMULA = "=HYPERLINK(A1)\x1b[2J\u202e"


@pytest.mark.parametrize("command", [("usage",), ("top", "talkers"), ("top", "conversations")])
@pytest.mark.parametrize("form", ["csv", "json", "text"])
def test_the_other_commands_tame_names_too(
    demo: Path, tmp_path: Path, command: tuple[str, ...], form: str
) -> None:
    content = (demo / PROFILE).read_text(encoding="utf-8")
    for name in ("fibre", "ticket-hall archive", "off-site backup"):
        content = content.replace(f'name = "{name}"', f"name = {json.dumps(FORMULA)}")
    profile = tmp_path / "formula.toml"
    profile.write_text(content, encoding="utf-8")
    arguments = [*command, str(demo / CAPTURE), "--site", str(profile), "--format", form]
    result = CliRunner().invoke(main, arguments)
    assert (result.exit_code, result.stderr) == (0, "")
    shown = result.stdout
    # JSON's escapes are text to a terminal, and a program that reads them gets what the profile says.
    assert not [c for c in shown if not c.isprintable() and c not in "\r\n"]
    if form == "csv":
        cells = [cell for row in csv.reader(shown.splitlines()) for cell in row]
        assert any("HYPERLINK" in cell for cell in cells)
        assert not [cell for cell in cells if cell.startswith(("=", "+", "-", "@"))]


def seconds(demo: Path, form: str) -> float:
    """Wall time of the whole program, the better of two runs."""
    command = [*PYTHON, "diagnose", str(demo / CAPTURE), "--site", str(demo / PROFILE), "--format", form]
    taken = []
    for _ in range(2):
        start = time.perf_counter()
        subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
        taken.append(time.perf_counter() - start)
    return min(taken)


def test_html_takes_at_most_a_second_and_a_half_more_than_json(demo: Path) -> None:
    assert seconds(demo, "html") - seconds(demo, "json") <= 1.5


@pytest.mark.parametrize("form", ["text", "json", "markdown"])
def test_formats_without_pictures_load_no_drawing_libraries(demo: Path, form: str) -> None:
    script = (
        "import sys, atexit\n"
        "atexit.register(lambda: print(sorted({'resvg_py', 'jinja2'} & set(sys.modules)), file=sys.stderr))\n"
        "from flowdiag.cli.main import main; main()"
    )
    command = [sys.executable, "-c", script, "diagnose", str(demo / CAPTURE), "--site", str(demo / PROFILE)]
    done = subprocess.run([*command, "--format", form], capture_output=True, text=True, check=True)
    assert done.stderr.strip() == "[]"


def test_the_same_input_gives_the_same_octets_whatever_the_hash_seed(demo: Path) -> None:
    def written(seed: str, form: str) -> bytes:
        command = [*PYTHON, "diagnose", str(demo / CAPTURE), "--site", str(demo / PROFILE), "--format", form]
        return subprocess.run(
            command, check=True, capture_output=True, env={**os.environ, "PYTHONHASHSEED": seed}
        ).stdout

    for form in ("html", "text"):
        assert written("1", form) == written("2", form)


def test_pseudonyms_are_the_same_in_every_note_of_one_key(
    demo: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("FLOWDIAG_KEY_FILE", str(tmp_path / "key"))
    first, second = (json.loads(run(demo, "--format", "json", "--pseudonyms").stdout) for _ in range(2))
    assert first == second
    assert first["pseudonyms"] is True
    assert first["talkers"][0]["address"].startswith("inside-")
    assert first["talkers"][0]["label"] == "ticket-hall archive"
    assert any("pseudonyms" in caution for caution in first["cautions"])
    monkeypatch.setenv("FLOWDIAG_KEY_FILE", str(tmp_path / "other"))
    other = json.loads(run(demo, "--format", "json", "--pseudonyms").stdout)
    assert other["talkers"][0]["address"] != first["talkers"][0]["address"]


@pytest.mark.parametrize(
    "arguments",
    [
        *(("diagnose", *WINDOW, "--format", form) for form in FORMATS),
        *(
            ("top", kind, "--format", form)
            for kind in ("talkers", "conversations")
            for form in ("text", "json", "csv")
        ),
        ("top", "talkers", "--window", "1h"),
    ],
    ids=" ".join,
)
def test_with_pseudonyms_no_inside_address_is_anywhere(
    demo: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, arguments: tuple[str, ...]
) -> None:
    monkeypatch.setenv("FLOWDIAG_KEY_FILE", str(tmp_path / "key"))
    chart = ["--chart", str(tmp_path / "chart.png")] if arguments[0] == "diagnose" else []
    command = [*arguments, str(demo / CAPTURE), "--site", str(demo / PROFILE), "--pseudonyms", *chart]
    result = CliRunner().invoke(main, command)
    assert (result.exit_code, result.stderr) == (0, "")
    assert not re.search(r"192\.168\.40\.\d|2001:db8:40:", result.stdout)
    assert "ticket-hall archive" in result.stdout or arguments[1] == "conversations"
    names = set(re.findall(r"inside-[0-9a-f]+-[0-9a-f]+", result.stdout))
    assert len({name.split("-")[1] for name in names if len(name) == len("inside-5d91e3-7b")}) == 1
