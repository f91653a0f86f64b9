"""Processes that are asked again and again: who has which home, and what happens when one dies."""

from __future__ import annotations

import os
import signal

import pytest
from msgspec import Struct

from flowdiag.collector.store.workers import Count, SteadyWorkers
from flowdiag.errors import WorkerLost


class Asked(Struct, frozen=True):
    home: int
    dies: bool = False


def process_of(task: Asked, count: Count) -> int:
    if task.dies:
        os.kill(os.getpid(), signal.SIGKILL)
    return os.getpid()


def test_a_task_goes_where_those_of_its_home_went_before() -> None:
    tasks = [Asked(number % 5) for number in range(20)]
    with SteadyWorkers(2) as workers:
        first = workers.all(process_of, tasks)
        again = workers.all(process_of, tasks)
    assert first == again
    assert len(set(first)) == 2
    assert os.getpid() not in first
    assert len({(task.home, process) for task, process in zip(tasks, first, strict=True)}) == 5


def test_with_one_job_nothing_is_started() -> None:
    with SteadyWorkers(1) as workers:
        assert workers.all(process_of, [Asked(3), Asked(4)]) == [os.getpid()] * 2


def test_a_process_that_dies_is_said_and_replaced() -> None:
    with SteadyWorkers(2) as workers:
        before = workers.all(process_of, [Asked(0), Asked(1)])
        with pytest.raises(WorkerLost, match="came to its end"):
            workers.all(process_of, [Asked(0, dies=True)])
        after = workers.all(process_of, [Asked(0), Asked(1)])
    assert before[1] == after[1]
    assert before[0] != after[0]


def test_one_that_was_killed_while_it_had_nothing_to_do_is_replaced() -> None:
    with SteadyWorkers(2) as workers:
        (process,) = workers.all(process_of, [Asked(0)])
        os.kill(process, signal.SIGKILL)
        for _ in range(50):
            try:
                (other,) = workers.all(process_of, [Asked(0)])
            except WorkerLost:
                continue
            break
    assert other != process
