"""Work in several processes: what it gives, what it counts, what it raises, and that no process outlives its purpose."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from flowdiag.collector.store.prepare import prepare
from flowdiag.collector.store.workers import Count, Workers
from tests.collector.live.running import wait_until

_TASKS = list(range(7))


def _square(task: int, count: Count) -> int:
    count(10)
    if task < 0:
        raise ValueError(f"{task} is refused")
    return task * task


def _process(task: int, count: Count) -> int:
    time.sleep(0.2)
    return os.getpid()


@pytest.mark.parametrize("jobs", [1, 2])
def test_tasks_are_done_in_order_and_counted(jobs: int) -> None:
    told: list[tuple[int, int]] = []
    prepare("flowdiag.collector.store.ingest")
    with Workers(jobs, 70, lambda done, amount: told.append((done, amount))) as workers:
        assert workers.all(_square, _TASKS) == [task * task for task in _TASKS]
    assert told[-1] == (70, 70)
    assert told == sorted(told)


@pytest.mark.parametrize("jobs", [1, 2])
def test_what_a_task_raises_is_raised_here(jobs: int) -> None:
    with Workers(jobs, 70, None) as workers, pytest.raises(ValueError, match="-1 is refused"):
        workers.all(_square, [1, -1])


def test_several_jobs_are_processes_of_their_own() -> None:
    with Workers(2, 0, None) as workers:
        processes = set(workers.all(_process, _TASKS))
    assert len(processes) == 2
    assert os.getpid() not in processes


_ABANDONED = """
import sys, time
from pathlib import Path
from flowdiag.collector.store.workers import Workers
from tests.collector.store.test_workers import leave_a_trace
if __name__ == "__main__":
    with Workers(2, 0, None) as workers:
        workers.all(leave_a_trace, [sys.argv[1]] * 2)
"""


def leave_a_trace(folder: str, count: Count) -> None:
    (Path(folder) / f"{os.getpid()}.pid").touch()
    time.sleep(600)


def test_workers_end_when_the_program_is_killed(tmp_path: Path) -> None:
    with subprocess.Popen([sys.executable, "-c", _ABANDONED, str(tmp_path)]) as program:
        wait_until(lambda: len(list(tmp_path.iterdir())) == 2)
        program.send_signal(signal.SIGKILL)
    numbers = [int(path.stem) for path in tmp_path.iterdir()]
    wait_until(lambda: not any(Path(f"/proc/{number}").exists() for number in numbers))
