"""Long work on a terminal: what is being done and how far, and nothing left when it is interrupted."""

from __future__ import annotations

import os
import pty
import re
import select
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO

import pytest

from flowdiag.cli.demo import CAPTURE, PROFILE
from flowdiag.cli.progress import progress_bar, stage

PATIENCE_S = 60.0
# As in an interactive shell; where tests run in the background, programs are started with SIGINT ignored.
CODE = """
import signal
signal.signal(signal.SIGINT, signal.default_int_handler)
from flowdiag.cli.main import main
main()
"""
PROGRAM = [sys.executable, "-c", CODE]
LAST = 2_000  # characters of a terminal that a failure shows


def test_no_bar_in_a_pipe(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys.stderr, "isatty", lambda: False, raising=False)
    with progress_bar(quiet=False) as progress:
        assert progress is None
        stage(progress, "something")


def test_a_bar_on_a_terminal_unless_quiet(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(sys.stderr, "isatty", lambda: True, raising=False)
    with progress_bar(quiet=True) as progress:
        assert progress is None
    with progress_bar(quiet=False) as progress:
        assert progress is not None
        progress(512, 1024)
    captured = capsys.readouterr()
    assert captured.out == ""
    assert "reading" in captured.err


def test_it_says_what_is_done_now_and_how_far(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(sys.stderr, "isatty", lambda: True, raising=False)
    said = []
    for steps in (
        [(512, 1024)],
        [(512, 1024), (1024, 1024)],
        [(1024, 1024), "writing"],
        ["pages", (3, 7)],
        [(5, 0)],
    ):
        with progress_bar(quiet=False, counted=True) as progress:
            assert progress is not None
            for step in steps:
                if isinstance(step, str):
                    stage(progress, step)
                else:
                    progress(*step)
        said.append(" ".join(re.sub(r"\x1b\[[0-9;?]*\w|[━╸╺ ]+", " ", capsys.readouterr().err).split()))
    for text, expected in zip(
        said, ("reading 512/1024", "working it out", "writing", "pages 3/7", "reading 5/?"), strict=True
    ):
        assert expected in text


class Terminal:
    """The program with its standard error on a terminal and its standard input in our hand."""

    def __init__(self, process: subprocess.Popen[bytes], screen: int) -> None:
        self.process = process
        self._screen = screen
        self.shown = ""

    @property
    def input(self) -> IO[bytes]:
        assert self.process.stdin is not None
        return self.process.stdin

    def wait_for(self, text: str) -> None:
        """Reads the terminal until it showed a text."""
        until = time.monotonic() + PATIENCE_S
        while text not in self.shown:
            assert time.monotonic() < until, self.shown[-LAST:]
            self._read(0.1)

    def interrupt(self) -> None:
        """Ctrl-C: it goes to all of a pipeline, so that whoever feeds the program ends too."""
        self.process.send_signal(signal.SIGINT)
        self.input.close()

    def end(self) -> int:
        """Waits for the end and reads what is left on the terminal."""
        until = time.monotonic() + PATIENCE_S
        while self.process.poll() is None:
            assert time.monotonic() < until, self.shown[-LAST:]
            self._read(0.1)
        while self._read(0.1):
            pass
        return self.process.returncode

    def _read(self, patience: float) -> bool:
        if not select.select([self._screen], [], [], patience)[0]:
            return False
        try:
            octets = os.read(self._screen, 65_536)
        except OSError:  # Linux says so at the end of a terminal
            return False
        self.shown += octets.decode(errors="replace")
        return bool(octets)


@contextmanager
def on_a_terminal(folder: Path, *words: str | Path) -> Iterator[Terminal]:
    (folder / "tmp").mkdir()
    screen, side = pty.openpty()
    environment = os.environ | {"TMPDIR": str(folder / "tmp"), "TERM": "xterm", "COLUMNS": "100"}
    process = subprocess.Popen(
        [*PROGRAM, *map(str, words)],
        cwd=folder, env=environment, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=side,
    )  # fmt: skip
    os.close(side)
    try:
        yield Terminal(process, screen)
    finally:
        if process.poll() is None:
            process.kill()
        process.wait()
        for pipe in (process.stdin, process.stdout):
            assert pipe is not None
            pipe.close()
        os.close(screen)


def left(folder: Path) -> set[str]:
    return {path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file()}


@pytest.mark.parametrize(
    "words",
    [
        (
            "diagnose",
            "-",
            "--down",
            "100",
            "--up",
            "20",
            "--interface",
            "2",
            "--output",
            "note.html",
            "--chart",
            "a.png",
        ),
        ("top", "talkers", "-", "--output", "top.csv"),
        ("inspect", "-", "--output", "inspect.json"),
        ("draft", "-", "--output", "site.toml"),
        ("ingest", "-", "--store", "flows"),
    ],
    ids=lambda words: words[0],
)
def test_an_interrupted_command_leaves_nothing_and_says_so(
    demo: Path, tmp_path: Path, words: tuple[str, ...]
) -> None:
    """It has half of an export and waits for the rest when Ctrl-C comes."""
    capture = (demo / CAPTURE).read_bytes()
    with on_a_terminal(tmp_path, *words) as terminal:
        terminal.input.write(capture[: len(capture) // 2])
        terminal.input.flush()
        terminal.wait_for("reading")
        terminal.interrupt()
        code = terminal.end()
    assert code == 130
    assert "flowdiag: interrupted" in terminal.shown
    assert "Traceback" not in terminal.shown
    assert terminal.shown.rfind("\x1b[?25h") > terminal.shown.rfind("\x1b[?25l") >= 0  # the cursor is back
    assert {name for name in left(tmp_path) if not name.startswith("flows/_flowdiag/")} == set()
    assert left(tmp_path) <= {"flows/_flowdiag/store.json", "flows/_flowdiag/lock"}


def test_work_that_is_done_wipes_its_bar(demo: Path, tmp_path: Path) -> None:
    words = (
        "diagnose",
        demo / CAPTURE,
        "--site",
        demo / PROFILE,
        "--output",
        "note.txt",
        "--chart",
        "note.png",
    )
    with on_a_terminal(tmp_path, *words) as terminal:
        assert terminal.end() == 0
    for text in ("reading", "drawing the pictures"):
        assert text in terminal.shown
    assert terminal.shown.endswith(("\x1b[2K", "\x1b[?25h", "\r"))
    assert left(tmp_path) == {"note.txt", "note.png"}
