"""Every shell and Python block of the README and the documentation runs as it is printed, on the demo's files.

README and tutorial start in an empty folder, as they say that the program is installed there; how-to pages in the folder that
the demo leaves. What stands in comments of the page just before a block, where readers do not see it, is all that differs:

    <!-- before: COMMANDS -->    makes what the page takes for granted, such as a folder of captures
    <!-- exits: CODE -->         the block ends with that exit code
    <!-- not run: REASON -->     one of REASONS; the block is still read for its syntax and its options
"""

from __future__ import annotations

import os
import re
import shlex
import shutil
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from textwrap import dedent

import click
import pytest

from flowdiag.cli.main import COMMANDS, main

ROOT = Path(__file__).parent.parent
PAGES = [ROOT / "README.md", *sorted((ROOT / "docs").rglob("*.md"))]
REASONS = (
    "needs the network",
    "needs root and systemd",
    "goes on until it is stopped",
    "runs the tests themselves",
)
MARK = re.compile(r"\s*<!-- (before|exits|not run): (.*) -->")
SECONDS = 120  # that a block may take
# What a person at the editor does: fills in the rates that were bought.
EDITOR = """#!/bin/sh
sed -i -E 's/^# (down|up)_mbps = .*$/\\1_mbps = 30/' "$1"
"""


@dataclass
class Block:
    language: str
    line: int
    text: str = ""
    before: list[str] = field(default_factory=list)
    exits: int = 0
    not_run: str | None = None


def blocks(page: Path) -> Iterator[Block]:
    """The blocks of a page that a reader may copy, with the marks right above them."""
    marks: list[tuple[str, str]] = []
    block: Block | None = None
    for number, line in enumerate(page.read_text(encoding="utf-8").splitlines(), 1):
        if block is not None:
            if line.strip() == "```":
                block.text = dedent(block.text)
                yield block
                block = None
            else:
                block.text += f"{line}\n"
        elif match := MARK.fullmatch(line):
            marks.append((match[1], match[2]))
        elif match := re.fullmatch(r"\s*```(sh|python)", line):
            block = Block(match[1], number)
            block.before = [text for mark, text in marks if mark == "before"]
            block.exits = next((int(text) for mark, text in marks if mark == "exits"), 0)
            block.not_run = next((text for mark, text in marks if mark == "not run"), None)
            marks = []
        elif line.strip():
            assert not marks, f"{page.name}:{number}: a mark stands right above its block"
    assert block is None
    assert not marks


def name_of(page: Path) -> str:
    return page.relative_to(ROOT).as_posix()


WITH_BLOCKS = [page for page in PAGES if any(blocks(page))]


@pytest.fixture(scope="module")
def made(demo: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo's files, an editor, and a `flowdiag` and a `python` for the search path."""
    folder = tmp_path_factory.mktemp("made")
    shutil.copytree(demo, folder / "flowdiag-demo")
    programs = folder / "bin"
    programs.mkdir()
    start = f"{shlex.quote(sys.executable)} -c 'from flowdiag.cli.main import main; main()'"
    for name, text in (("flowdiag", f'#!/bin/sh\nexec {start} "$@"\n'), ("editor", EDITOR)):
        (programs / name).write_text(text)
        (programs / name).chmod(0o755)
    return folder


@pytest.mark.slow
@pytest.mark.parametrize("page", WITH_BLOCKS, ids=name_of)
def test_a_page_runs_as_it_is_printed(page: Path, made: Path, tmp_path: Path) -> None:
    place, home = tmp_path / "place", tmp_path / "home"
    home.mkdir()
    if page.parent.name == "howto":
        shutil.copytree(made / "flowdiag-demo", place)
    else:
        place.mkdir()
    given = {name: value for name, value in os.environ.items() if not name.startswith(("FLOWDIAG", "XDG"))}
    environment = given | {
        "PATH": f"{made / 'bin'}{os.pathsep}{given['PATH']}",
        "PYTHONPATH": str(ROOT),
        "HOME": str(home),
        "EDITOR": "editor",
    }
    for block in blocks(page):
        if block.not_run is not None:
            continue
        script = (
            block.text
            if block.language == "sh"
            else f"{shlex.quote(sys.executable)} -c {shlex.quote(block.text)}"
        )
        before = "".join(f"{line}\n" for line in block.before)
        done = subprocess.run(
            ["bash", "-euo", "pipefail", "-c", f"{before}{script}"],
            cwd=place, env=environment, timeout=SECONDS, capture_output=True, text=True, check=False,
        )  # fmt: skip
        assert done.returncode == block.exits, f"{name_of(page)}:{block.line}: {done.stderr}"


@pytest.mark.parametrize("page", WITH_BLOCKS, ids=name_of)
def test_what_is_not_run_has_a_reason_and_is_sound_to_read(page: Path) -> None:
    for block in blocks(page):
        assert block.not_run is None or block.not_run in REASONS
        if block.language == "sh":
            read = subprocess.run(
                ["bash", "-n", "-c", block.text], capture_output=True, text=True, check=False
            )
            assert (read.returncode, read.stderr) == (0, ""), f"{name_of(page)}:{block.line}"
            for words in commands(block.text):
                command = main.get_command(click.Context(main), words[0])
                assert command is not None, f"{name_of(page)}:{block.line}: {words[0]}"
                known = {name for parameter in command.params for name in parameter.opts}
                assert {word for word in words if re.match("--?[a-z]", word)} <= known


def commands(text: str) -> Iterator[list[str]]:
    """The words of each call of the program in a shell block, up to where they go elsewhere."""
    for line in text.replace("\\\n", " ").splitlines():
        if match := re.search(r"(?:^|[|] )flowdiag (.*)", line.strip()):
            words = shlex.split(match[1], comments=True)
            end = next((i for i, word in enumerate(words) if word in (">", "|", "||", "&&")), len(words))
            yield words[:end]


SERVERS = {"collect", "desk", "watch"}


def test_most_blocks_run_and_every_command_is_among_them() -> None:
    every = [block for page in WITH_BLOCKS for block in blocks(page)]
    run = [block for block in every if block.not_run is None]
    assert len(run) > 20
    # Servers go on until they are stopped; tests of their own start them.
    servers = [block for block in every if block.not_run == "goes on until it is stopped"]
    assert {words[0] for block in servers for words in commands(block.text)} == SERVERS
    assert len(every) - len(run) - len(servers) <= 7
    called = {words[0] for block in run if block.language == "sh" for words in commands(block.text)}
    assert called | SERVERS == set(COMMANDS)


def test_the_readers_commands_are_called_one_way() -> None:
    for page in PAGES:
        assert not re.search(r"\.venv/bin/flowdiag|python3? -m flowdiag", page.read_text(encoding="utf-8")), (
            page
        )


def test_what_the_demo_leaves_is_no_part_of_the_repository() -> None:
    assert "flowdiag-demo*/" in (ROOT / ".gitignore").read_text(encoding="utf-8").splitlines()
