"""The documentation says what the program says."""

from __future__ import annotations

import importlib
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

from flowdiag.cli.demo import CAPTURE, PROFILE
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


GUIDE = (DOCS.parent / "DEVELOPERS.md").read_text(encoding="utf-8")


def test_the_contributor_guide_names_files_that_exist() -> None:
    named = set(re.findall(r"`([\w./*-]+/[\w.*-]+\.(?:py|toml|csv|css|html|json|md|svg))`", GUIDE))
    assert len(named) > 60
    package = DOCS.parent / "flowdiag"
    missing = {
        name
        for name in named
        if not any(
            list(root.glob(name))
            for root in (DOCS.parent, package, package / "collector", package / "diagnoser")
        )
    }
    assert not missing


def test_the_walk_of_one_record_is_true() -> None:
    """At most fourteen files, each with the function that the table names."""
    steps = re.findall(r"^\| \d+ \| `([\w/]+\.py)` \| `([\w.]+)\(\)`", GUIDE, re.MULTILINE)
    assert 10 <= len(steps) <= 14
    for file, function in steps:
        module = importlib.import_module("flowdiag." + file.removesuffix(".py").replace("/", "."))
        found: Any = module
        for part in function.split("."):
            found = getattr(found, part)
        assert callable(found)


def test_the_guide_says_where_to_change_what() -> None:
    table = GUIDE.partition("## Where do I change")[2].partition("\n## ")[0]
    assert len(re.findall(r"^\| (?!what \||---)", table, re.MULTILINE)) >= 15


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
def test_every_documented_key_is_in_the_json(command: tuple[str, ...], demo: Path) -> None:
    page = (DOCS / "reference" / "other-json.md").read_text(encoding="utf-8")
    section = page.split(f"\n## {command[0]}:")[1].split("\n## ")[0]
    rows = re.findall(r"^\| (`.*?) \|", section, re.MULTILINE)
    documented = {key for row in rows for key in re.findall(r"`([^`]+)`", row)}
    assert len(documented) > 15
    site = () if command[0] == "inspect" else ("--site", str(demo / PROFILE))
    result = CliRunner().invoke(main, [*command, str(demo / CAPTURE), *site, "--format", "json"])
    assert documented - set(keys(json.loads(result.stdout))) == set()


@pytest.mark.parametrize("page", PAGES)
def test_links_between_pages_lead_somewhere(page: str) -> None:
    text = (DOCS / page).read_text(encoding="utf-8")
    for target in re.findall(r"\]\(([^)#:]+)\)", text):
        assert (DOCS / page).parent.joinpath(target).exists(), target


@pytest.mark.parametrize(
    ("unit", "needed"),
    [
        ("flowdiag-collect.service", {"--listen", "--store", "--allow-file"}),
        ("flowdiag-desk.service", {"--listen", "--store", "--sites", "--access"}),
        ("flowdiag-watch.service", {"--store", "--sites", "--notify"}),
    ],
)
def test_a_service_unit_starts_what_there_is(unit: str, needed: set[str]) -> None:
    text = (DOCS / unit).read_text(encoding="utf-8")
    (started,) = re.findall(r"^ExecStart=\S+/flowdiag (.*)$", text, re.MULTILINE)
    assert needed <= options_of(started)
    assert "DynamicUser=yes" in text.splitlines()


def test_the_container_starts_what_there_is() -> None:
    text = (DOCS / "Containerfile").read_text(encoding="utf-8")
    lists = dict(re.findall(r"^(ENTRYPOINT|CMD) (\[.*\])$", text, re.MULTILINE))
    program, *words = [*json.loads(lists["ENTRYPOINT"]), *json.loads(lists["CMD"])]
    assert program == "flowdiag"
    assert {"--store", "--sites", "--state", "--access"} <= options_of(shlex.join(words))
    # Whoever builds it has what is copied.
    copied = [word for line in re.findall(r"^COPY (.*)$", text, re.MULTILINE) for word in line.split()[:-1]]
    assert all((DOCS.parent / word).exists() for word in copied)


def options_of(words: str) -> set[str]:
    """The options of a command line, all of which the command has."""
    command, *rest = shlex.split(words)
    known = {name for parameter in main.get_command(None, command).params for name in parameter.opts}  # type: ignore
    used = {word for word in rest if word.startswith("--")}
    assert used <= known
    return used


def test_the_collector_s_unit_has_room_for_connections() -> None:
    unit = (DOCS / "flowdiag-collect.service").read_text(encoding="utf-8")
    (descriptors,) = re.findall(r"^LimitNOFILE=(\d+)$", unit, re.MULTILINE)
    assert for_connections(int(descriptors), addresses=10) >= MAX_CONNECTIONS
