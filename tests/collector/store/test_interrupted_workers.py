"""Ctrl-C goes to all processes of a terminal: workers say nothing, and what they work on is broken off."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

TASKS = """
import time
from pathlib import Path

Path("loading").touch()
time.sleep(1)

def twice(task, count):
    return 2 * task

def endless(task, count):
    Path(f"working-{task}").touch()
    try:
        time.sleep(600)
    finally:
        Path(f"cleared-{task}").touch()
"""
PROGRAM = '''
import os, signal, sys, time
from pathlib import Path
from flowdiag.collector.store.prepare import prepare

def wait_for(*names):
    while not all(Path(name).exists() for name in names):
        time.sleep(0.01)

def ctrl_c():
    """That this process takes no notice of."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    os.killpg(0, signal.SIGINT)
    signal.signal(signal.SIGINT, signal.default_int_handler)

if __name__ == "__main__":
    signal.signal(signal.SIGINT, signal.default_int_handler)
    prepare("tasks")
    wait_for("loading")  # in the process that workers will be forks of
    if sys.argv[1] == "loading":
        ctrl_c()
    from flowdiag.collector.store.cluster import open_workers
    import tasks
    with open_workers(2, 4, None) as workers:
        print(sorted(result for _, result in workers.each(tasks.twice, [1, 2, 3, 4])), flush=True)
        if sys.argv[1] == "idle":
            ctrl_c()
            print(sorted(result for _, result in workers.each(tasks.twice, [5, 6])), flush=True)
    if sys.argv[1] == "busy":
        try:
            with open_workers(2, 2, None) as workers:
                working = workers.each(tasks.endless, [1, 2])
                import threading
                def interrupt():
                    wait_for("working-1", "working-2")
                    os.killpg(0, signal.SIGINT)
                threading.Thread(target=interrupt).start()
                list(working)
        except KeyboardInterrupt:
            print("interrupted")
'''


@pytest.mark.parametrize(
    ("when", "printed"),
    [
        ("loading", "[2, 4, 6, 8]\n"),
        ("idle", "[2, 4, 6, 8]\n[10, 12]\n"),
        ("busy", "[2, 4, 6, 8]\ninterrupted\n"),
    ],
)
def test_workers_are_quiet_when_ctrl_c_comes(tmp_path: Path, when: str, printed: str) -> None:
    (tmp_path / "tasks.py").write_text(TASKS)
    (tmp_path / "program.py").write_text(PROGRAM)
    done = subprocess.run(
        [sys.executable, "program.py", when],
        cwd=tmp_path, capture_output=True, text=True, timeout=120, check=False, start_new_session=True,
    )  # fmt: skip
    assert (done.stdout, done.stderr, done.returncode) == (printed, "", 0)
    if when == "busy":
        assert {path.name for path in tmp_path.glob("cleared-*")} == {"cleared-1", "cleared-2"}
