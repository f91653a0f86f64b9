"""`flowdiag watch --failed`, `--resend` and `--try`."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from flowdiag.cli.main import main
from flowdiag.collector.store.changes import make_store
from flowdiag.collector.store.folder import Folder
from flowdiag.watch.failed import Failed, list_failed, put_aside
from flowdiag.watch.message import Message
from tests.watch.invented import NOON_MS, event

NAME = "abcdefghabcdefgh"


def run(*arguments: str | Path) -> Result:
    return CliRunner().invoke(main, ["watch", *map(str, arguments)])


@pytest.fixture
def store(tmp_path: Path) -> Path:
    """With a message that nobody took."""
    evil = event(site="Har\x1b[2Jbour")
    message = Message(NAME, (evil,), NOON_MS)
    backend = Folder(tmp_path / "store")
    make_store(backend)
    put_aside(backend, Failed.of(message, "lamp", 3, "exit code 3", NOON_MS))
    return tmp_path / "store"


def notify(folder: Path, program: str) -> Path:
    file = folder / "notify.toml"
    words = json.dumps(["/bin/sh", "-c", program, str(folder / "out")])
    file.write_text(f'[[command]]\nname = "lamp"\nargv = {words}\n')
    return file


def test_failed_messages_are_listed_a_line_each(store: Path) -> None:
    done = run("--store", store, "--failed")
    assert done.exit_code == 0
    (line,) = done.stdout.splitlines()
    assert line.isprintable()
    assert line.startswith(f"{NAME}  lamp  Har")
    assert line.endswith("on its backup since Tue 3 Mar 01:00 NZDT  (exit code 3)")


def test_a_store_that_is_not_there_or_is_none_is_one_line(tmp_path: Path) -> None:
    for folder in (tmp_path / "none", tmp_path):
        done = run("--store", folder, "--failed")
        assert done.exit_code == 1
        (line,) = done.stderr.splitlines()
        assert "there is no flow store" in line


@pytest.mark.parametrize("which", [NAME, "all"])
def test_they_are_sent_again(store: Path, tmp_path: Path, which: str) -> None:
    refused = run("--store", store, "--notify", notify(tmp_path, "echo no lamp; exit 3"), "--resend", which)
    assert (refused.exit_code, refused.stdout) == (1, f"{NAME}  exit code 3: no lamp\n")
    taken = run("--store", store, "--notify", notify(tmp_path, 'cat > "$0"'), "--resend", which)
    assert (taken.exit_code, taken.stdout) == (0, f"{NAME}  taken\n")
    assert json.loads((tmp_path / "out").read_text())["code"] == "on-backup"
    assert list_failed(Folder(store)) == []


def test_each_target_is_tried(tmp_path: Path) -> None:
    done = run("--notify", notify(tmp_path, 'cat > "$0"'), "--try")
    assert (done.exit_code, done.stdout) == (0, "lamp  taken\n")
    assert json.loads((tmp_path / "out").read_text())["code"] == "test"


@pytest.mark.parametrize("arguments", [("--try",), ("--resend", "all", "--store", "store")])
def test_without_a_notify_file_there_is_nobody_to_tell(arguments: tuple[str, ...]) -> None:
    done = run(*arguments)
    assert done.exit_code == 2
    assert "nothing says whom to tell; expected --notify FILE.toml" in done.stderr
