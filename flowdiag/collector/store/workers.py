"""The same function over many tasks, here, in several processes or on a cluster, with one progress for all.

Facts the design follows:
- to load Arrow and numpy takes a process most of a second, which is what decoding half a million records takes: one
  process loads them, meanwhile with the program itself (prepare.py), and the workers are forks of it;
- Arrow's threads do not survive a fork; that process computes nothing, so it has none;
- a worker would wait for its next task for ever if the process that gives them was killed; so it ends with that one.
"""

from __future__ import annotations

import multiprocessing
import os
import signal
import threading
from abc import ABC, abstractmethod
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from queue import SimpleQueue
from types import TracebackType
from typing import Any, Final, TypeVar

import pyarrow as pa

from flowdiag.collector.readers.inputs import Progress
from flowdiag.collector.store.homes import Homes
from flowdiag.errors import WorkerLost

Task = TypeVar("Task")
Result = TypeVar("Result")
Count = Callable[[int], None]

# Where there is no such server of forks, each worker loads all by itself.
_START: Final = "forkserver" if "forkserver" in multiprocessing.get_all_start_methods() else "spawn"

LOST: Final = "look whether it was killed for want of memory; it is tried again"

# How often the progress of other processes is looked at.
_POLL_S: Final = 0.2


class Counted(ABC):
    """Those who work on tasks. amount: that the tasks will count in all; progress: called with the amount so far and in all."""

    def __init__(self, amount: int, progress: Progress | None) -> None:
        self._amount = amount
        self._progress = progress
        self._here = 0

    @abstractmethod
    def each(
        self, function: Callable[[Task, Count], Result], tasks: Sequence[Task]
    ) -> Iterator[tuple[int, Result]]:
        """The number of each task and what the function gives for it, as they are done. Raises what it raises."""

    def all(self, function: Callable[[Task, Count], Result], tasks: Sequence[Task]) -> list[Result]:
        """What the function gives for each task, in their order."""
        return [result for _, result in sorted(self.each(function, tasks), key=lambda pair: pair[0])]

    def spare(self, amount: int) -> None:
        """So much need not be counted after all: the progress is of what is left."""
        self._amount -= amount
        self._show_progress()

    def _count(self, amount: int) -> None:
        self._here += amount
        self._show_progress()

    def _show_progress(self) -> None:
        if self._progress is not None:
            self._progress(min(self._here + self._elsewhere(), self._amount), self._amount)

    def _elsewhere(self) -> int:
        """What was counted in other processes."""
        return 0


class Workers(Counted):
    """jobs: processes, 1 for none but this."""

    def __init__(self, jobs: int, amount: int, progress: Progress | None) -> None:
        super().__init__(amount, progress)
        self._pool: ProcessPoolExecutor | None = None
        self._counter: Any = None
        if jobs > 1:
            context = multiprocessing.get_context(_START)
            self._counter = context.Value("q", 0)
            self._pool = ProcessPoolExecutor(jobs, context, initializer=_begin, initargs=(self._counter,))

    def __enter__(self) -> Workers:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._pool is not None:
            self._pool.shutdown(wait=True, cancel_futures=True)

    def each(
        self, function: Callable[[Task, Count], Result], tasks: Sequence[Task]
    ) -> Iterator[tuple[int, Result]]:
        if self._pool is None or len(tasks) == 1:
            for number, task in enumerate(tasks):
                yield number, function(task, self._count)
            return
        running: dict[Future[Result], int] = {
            self._pool.submit(_run, function, task): number for number, task in enumerate(tasks)
        }
        while running:
            done, _ = wait(running, _POLL_S, FIRST_COMPLETED)
            self._show_progress()
            for future in sorted(done, key=lambda future: running[future]):
                yield running.pop(future), future.result()

    def _elsewhere(self) -> int:
        return self._counter.value if self._counter is not None else 0


class SteadyWorkers(Counted):
    """Processes that keep what they learned: tasks of one home go to the same one each time (homes.py). jobs: 1 for none but
    this."""

    def __init__(self, jobs: int) -> None:
        super().__init__(0, None)
        self._context = multiprocessing.get_context(_START)
        self._counter = self._context.Value("q", 0)
        self._pools = [self._pool() for _ in range(jobs)] if jobs > 1 else []
        self._homes: Homes[int] = Homes()

    def _pool(self) -> ProcessPoolExecutor:
        return ProcessPoolExecutor(1, self._context, initializer=_begin, initargs=(self._counter,))

    def __enter__(self) -> SteadyWorkers:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        for pool in self._pools:
            pool.shutdown(wait=True, cancel_futures=True)

    def each(
        self, function: Callable[[Task, Count], Result], tasks: Sequence[Task]
    ) -> Iterator[tuple[int, Result]]:
        """As Counted. Raises WorkerLost where a process came to its end, which is replaced."""
        if not self._pools:
            for number, task in enumerate(tasks):
                yield number, function(task, self._count)
            return
        done: SimpleQueue[Future[Result]] = SimpleQueue()
        numbers: dict[Future[Result], tuple[int, int]] = {}
        try:
            places = self._homes.places(tasks, range(len(self._pools)))
            for number, (task, place) in enumerate(zip(tasks, places, strict=True)):
                pool = number % len(self._pools) if place is None else place
                future = self._submit(pool, function, task)
                numbers[future] = number, pool
                future.add_done_callback(done.put)
            for _ in tasks:
                future = done.get()
                number, pool = numbers.pop(future)
                try:
                    result = future.result()
                except BrokenProcessPool as error:
                    self._pools[pool] = self._pool()
                    raise WorkerLost("a process that worked came to its end", advice=LOST) from error
                yield number, result
        finally:
            for future in numbers:
                future.cancel()

    def _submit(self, pool: int, function: Callable[[Task, Count], Result], task: Task) -> Future[Result]:
        try:
            return self._pools[pool].submit(_run, function, task)
        except BrokenProcessPool:  # it ended while it had nothing to do
            self._pools[pool] = self._pool()
            return self._pools[pool].submit(_run, function, task)


_counter: Any = None


def _begin(counter: Any) -> None:
    """A process of its own for each core: Arrow's threads would only be in each other's way."""
    global _counter
    _counter = counter
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    pa.set_cpu_count(1)
    threading.Thread(target=_end_with_parent, daemon=True).start()


def _end_with_parent() -> None:
    parent = multiprocessing.parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)


def _run(function: Callable[[Task, Count], Result], task: Task) -> Result:
    """Ctrl-C breaks a task off, which then clears up after itself; between tasks there is nothing to break off."""
    signal.signal(signal.SIGINT, signal.default_int_handler)
    try:
        return function(task, _count)
    finally:
        signal.signal(signal.SIGINT, signal.SIG_IGN)


def _count(amount: int) -> None:
    with _counter.get_lock():
        _counter.value += amount
