"""The documentation says what the program says."""

from __future__ import annotations

import json
import re
import shlex
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from flowdiag.cli.demo import CAPTURE, PROFILE, write_demo
from flowdiag.cli.main import main
from flowdiag.collector.live.connections import MAX_CONNECTIONS
from flowdiag.collector.live.descriptors import for_connections

DOCS = Path(__file__).parent.parent / "docs"
PAGES = sorted(path.relative_to(DOCS).as_posix() for path in DOCS.rglob("*.md"))


def test_generated_pages_are_up_to_date() -> None:
    # A process of its own: click remembers a command's help option in the form of its first use.
    check = subprocess.run(
        [sys.executable, str(DOCS / "generate.py"), "--check"], capture_output=True, text=True, check=False
    )
    assert (check.returncode, check.stderr) == (0, ""), "run: python docs/generate.py"


def test_the_site_builds_without_a_warning(tmp_path: Path) -> None:
    build = [
        sys.executable,
        "-m",
        "mkdocs",
        "build",
        "--strict",
        "--quiet",
        "--site-dir",
        str(tmp_path / "site"),
    ]
    done = subprocess.run(build, cwd=DOCS.parent, capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr) == (0, "")
    pages = {path.relative_to(tmp_path / "site").as_posix() for path in (tmp_path / "site").rglob("*.html")}
    assert pages >= {page.replace(".md", ".html") for page in PAGES}


def test_the_tutorial_works_as_it_is_written(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    text = (DOCS / "tutorial.md").read_text(encoding="utf-8").replace("\\\n", " ")
    lines = re.findall(r"\.venv/bin/flowdiag (.*)", text)
    monkeypatch.chdir(tmp_path)
    for line in lines:
        command, _, kept = line.partition(" > ")
        result = CliRunner().invoke(main, shlex.split(command))
        assert result.exit_code == 0, (line, result.stderr)
        if kept:
            (tmp_path / kept).write_text(result.stdout, encoding="utf-8")
    assert len(lines) == 7
    assert {"flowdiag-demo", "my-site.toml", "note.html"} <= {path.name for path in tmp_path.iterdir()}


def test_the_readme_s_first_ticket_works_as_it_is_written(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """On the demo's export, with a person at the editor who knows what the site bought."""
    section = (
        (DOCS.parent / "README.md").read_text(encoding="utf-8").split("## A first ticket")[1].split("\n| ")[0]
    )
    lines = [
        line.split("   #")[0].strip()
        for block in re.findall(r"```sh\n(.*?)```", section, re.DOTALL)
        for line in block.splitlines()
    ]
    write_demo(tmp_path)
    monkeypatch.chdir(tmp_path)
    edited = 0
    for line in lines:
        if line.startswith('"${EDITOR'):
            profile = tmp_path / line.split()[-1]
            text = re.sub(
                r"(?m)^# (down|up)_mbps = .*$", r"\1_mbps = 30", profile.read_text(encoding="utf-8")
            )
            profile.write_text(text, encoding="utf-8")
            edited += 1
            continue
        command, _, kept = line.removeprefix("flowdiag ").partition(" > ")
        result = CliRunner().invoke(main, shlex.split(command))
        assert result.exit_code == 0, (line, result.stderr)
        if kept:
            (tmp_path / kept).write_text(result.stdout, encoding="utf-8")
    assert (len(lines), edited) == (4, 1)


def keys(value: Any, path: str = "") -> Iterator[str]:
    """The path of every key of a JSON value, `[]` for the items of a list."""
    if isinstance(value, dict):
        for key, inner in value.items():
            here = f"{path}.{key}" if path else key
            yield here
            yield from keys(inner, here)
    elif isinstance(value, list):
        yield f"{path}[]"
        for item in value:
            yield from keys(item, f"{path}[]")


@pytest.mark.parametrize(
    "command", [("inspect",), ("top", "talkers", "--window", "1h"), ("usage",)], ids=" ".join
)
def test_every_documented_key_is_in_the_json(command: tuple[str, ...], tmp_path: Path) -> None:
    page = (DOCS / "reference" / "other-json.md").read_text(encoding="utf-8")
    section = page.split(f"\n## {command[0]}:")[1].split("\n## ")[0]
    rows = re.findall(r"^\| (`.*?) \|", section, re.MULTILINE)
    documented = {key for row in rows for key in re.findall(r"`([^`]+)`", row)}
    assert len(documented) > 15
    write_demo(tmp_path)
    site = () if command[0] == "inspect" else ("--site", str(tmp_path / PROFILE))
    result = CliRunner().invoke(main, [*command, str(tmp_path / CAPTURE), *site, "--format", "json"])
    assert documented - set(keys(json.loads(result.stdout))) == set()


@pytest.mark.parametrize("page", PAGES)
def test_links_between_pages_lead_somewhere(page: str) -> None:
    text = (DOCS / page).read_text(encoding="utf-8")
    for target in re.findall(r"\]\(([^)#:]+)\)", text):
        assert (DOCS / page).parent.joinpath(target).exists(), target


def test_the_service_unit_starts_what_there_is() -> None:
    unit = (DOCS / "flowdiag-collect.service").read_text(encoding="utf-8")
    (started,) = re.findall(r"^ExecStart=\S+/flowdiag (.*)$", unit, re.MULTILINE)
    command, *words = shlex.split(started)
    known = {name for parameter in main.get_command(None, command).params for name in parameter.opts}  # type: ignore
    used = {word for word in words if word.startswith("--")}
    assert {"--listen", "--store", "--allow-file"} <= used <= known
    assert "DynamicUser=yes" in unit.splitlines()
    (descriptors,) = re.findall(r"^LimitNOFILE=(\d+)$", unit, re.MULTILINE)
    assert for_connections(int(descriptors), places=10) >= MAX_CONNECTIONS
