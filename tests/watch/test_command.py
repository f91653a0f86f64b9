"""Commands: what they are given, and whatever they do with it."""

from __future__ import annotations

import json
import os
import sys
import time
from pathlib import Path

import pytest

from flowdiag.watch.message import Message, NotTaken
from flowdiag.watch.notify import Command
from flowdiag.watch.targets.command import run
from tests.watch.invented import NOON_MS, event

MESSAGE = Message("abcdefghabcdefgh", (event(site="$(touch gone); `id`"),), NOON_MS)


def python(program: str, *words: str, timeout_s: float = 20.0) -> Command:
    return Command(name="lamp", argv=(sys.executable, "-c", program, *words), timeout_s=timeout_s)


def refusal(command: Command) -> NotTaken:
    with pytest.raises(NotTaken) as raised:
        run(command, MESSAGE)
    return raised.value


def test_a_program_is_given_the_event_and_its_words_as_they_stand(tmp_path: Path) -> None:
    out = tmp_path / "out"
    program = "import os, sys; open(sys.argv[1], 'w').write(sys.stdin.read() + os.environ['FLOWDIAG_MESSAGE'] + sys.argv[2])"
    run(python(program, str(out), "$HOME; *"), MESSAGE)
    line, rest = out.read_text().split("\n")
    assert json.loads(line)["site"] == "$(touch gone); `id`"
    assert rest == "abcdefghabcdefgh$HOME; *"


def test_a_program_that_fails_is_tried_again_and_its_last_words_are_the_reason() -> None:
    fault = refusal(python("import sys; print('x' * 100_000); print('no\\x1b[2J lamp'); sys.exit(3)"))
    assert fault.what.startswith("exit code 3: x")
    assert fault.what.isprintable()
    assert len(fault.what) <= 300
    assert not fault.permanent
    assert (
        refusal(python("import sys; sys.stderr.write('no lamp'); sys.exit(3)")).what == "exit code 3: no lamp"
    )
    assert refusal(python("import os; os.kill(os.getpid(), 9)")).what == "ended by signal 9"


def test_a_program_need_not_read() -> None:
    run(python("pass"), Message("abcdefghabcdefgh", (event(note="x" * 1_000_000),), NOON_MS))


def test_what_takes_too_long_is_ended_with_all_that_it_started(tmp_path: Path) -> None:
    child = tmp_path / "child"
    program = (
        "import subprocess, sys, time\n"
        "child = subprocess.Popen([sys.executable, '-c', 'import time; time.sleep(60)'])\n"
        "open(sys.argv[1], 'w').write(str(child.pid))\n"
        "time.sleep(60)"
    )
    began = time.monotonic()
    assert refusal(python(program, str(child), timeout_s=2.0)).what == "not done within 2 s"
    assert time.monotonic() - began < 10
    pid = int(child.read_text())
    for _ in range(100):
        if not is_running(pid):
            break
        time.sleep(0.05)
    assert not is_running(pid)


def is_running(pid: int) -> bool:
    try:
        return "Z" not in Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2][:3]
    except OSError:
        return False


def test_a_program_that_speaks_without_end_costs_no_memory_and_ends() -> None:
    began = time.monotonic()
    assert refusal(python("while True: print('x' * 10_000)", timeout_s=1.0)).what == "not done within 1 s"
    assert time.monotonic() - began < 5


def test_one_that_leaves_another_behind_is_over_when_it_has_ended() -> None:
    program = "import subprocess, sys; subprocess.Popen([sys.executable, '-c', 'import time; time.sleep(3)'])"
    began = time.monotonic()
    run(python(program), MESSAGE)
    assert time.monotonic() - began < 2.5


def test_one_that_closes_its_output_is_waited_for() -> None:
    program = "import os, sys, time; os.close(1); os.close(2); time.sleep(0.5); os._exit(4)"
    assert refusal(python(program)).what == "exit code 4"


@pytest.mark.parametrize("argv", [("/nowhere/lamp",), (os.devnull,), ("/tmp",)])
def test_what_cannot_be_started_is_one_line(argv: tuple[str, ...]) -> None:
    fault = refusal(Command(name="lamp", argv=argv))
    assert fault.what.startswith("cannot be started: ")
    assert fault.everyone
