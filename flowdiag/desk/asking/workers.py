"""The processes that answer questions: each question has a time and a memory limit, and can be given up.

Facts the design follows:
- a question that hangs or grows cannot be stopped from within, so its process is ended and another takes its place;
- to load Arrow, numpy and pandas takes seconds; one process loads them and the workers are forks of it
  (collector/store/prepare.py), so that a new one costs some milliseconds;
- where long questions took every worker, nobody would get a short answer: one worker is kept for short ones;
- what nobody waits for is asked one at a time, when a worker is idle and nobody waits for one.
"""

from __future__ import annotations

import asyncio
import multiprocessing
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from multiprocessing.connection import Connection
from threading import Event, Lock
from typing import Any, Final

import psutil

from flowdiag.collector.store.prepare import prepare
from flowdiag.desk.asking.question import Question
from flowdiag.desk.asking.worker import Answered, Asked, Failed, Same, Worked, work
from flowdiag.errors import FlowdiagError

LOOKED_AT_EVERY_S: Final = 0.1
MOST_WAITING: Final = 200
_START: Final = "forkserver" if "forkserver" in multiprocessing.get_all_start_methods() else "spawn"
_LOADED: Final = "flowdiag.desk.asking.loaded"

Told = Callable[[int, int], None]


class Overloaded(FlowdiagError):
    """So many wait that nobody else may."""


class Unanswered(FlowdiagError):
    """A question that took too long or too much memory, or failed."""


class GivenUp(Exception):
    """Nobody waits for the answer any more."""


class Workers:
    """count: of processes; seconds, octets: that one question may take. Used from one event loop."""

    def __init__(self, count: int, seconds: float, octets: int) -> None:
        prepare(_LOADED)
        self._context = multiprocessing.get_context(_START)
        self._seconds, self._octets = seconds, octets
        self._threads = ThreadPoolExecutor(count, "question")
        self._idle: asyncio.LifoQueue[_Process] = asyncio.LifoQueue()
        self._all: set[_Process] = set()
        self._waiting = 0
        self._long = asyncio.Semaphore(max(count - 1, 1))
        self._background = asyncio.Semaphore(1)
        for _ in range(count):
            self._begin()

    @property
    def waiting(self) -> int:
        """Questions that wait for a worker."""
        return self._waiting

    @property
    def pids(self) -> list[int]:
        return [process.pid for process in self._all]

    async def ask(
        self,
        question: Question,
        known: str | None = None,
        told: Told | None = None,
        given_up: Event | None = None,
    ) -> Answered | Same:
        """known: a state for which the answer is known; told: called in another thread with how far it is; given_up: set when
        nobody waits any more. Raises Overloaded, Unanswered, GivenUp, and the FlowdiagError that the answer is."""
        if self._waiting >= MOST_WAITING:
            raise Overloaded("too many questions wait for an answer", advice="ask again in a minute")
        if question.background:
            async with self._background:
                while self._waiting or self._idle.empty():
                    await asyncio.sleep(LOOKED_AT_EVERY_S)
                return await self._ask(question, known, told, given_up)
        if question.long:
            async with self._long:
                return await self._ask(question, known, told, given_up)
        return await self._ask(question, known, told, given_up)

    async def _ask(
        self, question: Question, known: str | None, told: Told | None, given_up: Event | None
    ) -> Answered | Same:
        self._waiting += 1
        try:
            process = await self._idle.get()
        finally:
            self._waiting -= 1
        leave = given_up or Event()
        talk = asyncio.get_running_loop().run_in_executor(
            self._threads, self._talk, process, Asked(question, known), told, leave
        )
        try:
            return await asyncio.shield(talk)
        except asyncio.CancelledError:
            leave.set()
            raise
        finally:
            talk.add_done_callback(lambda _: self._after(process))

    def _after(self, process: _Process) -> None:
        if process.is_sound:
            self._idle.put_nowait(process)
        else:
            self._all.discard(process)
            self._begin()

    def _begin(self) -> None:
        process = _Process(self._context)
        self._all.add(process)
        self._idle.put_nowait(process)

    def _talk(self, process: _Process, asked: Asked, told: Told | None, given_up: Event) -> Answered | Same:
        """One question and its answer. In a thread. A process that was ended, or ended itself, is not sound afterwards."""
        seconds = self._seconds * asked.question.parts
        until = time.monotonic() + seconds
        try:
            process.pipe.send(asked)
            while True:
                while not process.pipe.poll(LOOKED_AT_EVERY_S):
                    self._look(process, until, seconds, given_up)
                message = process.pipe.recv()
                if isinstance(message, Worked):
                    if told is not None:
                        told(message.done, message.whole)
                    self._look(process, until, seconds, given_up)
                elif isinstance(message, Failed):
                    raise message.error or Unanswered(message.what)
                elif isinstance(message, Same | Answered):
                    return message
        except (EOFError, OSError):
            process.end()
            raise Unanswered("the process that worked on the answer ended") from None

    def _look(self, process: _Process, until: float, seconds: float, given_up: Event) -> None:
        """Ends a process over its limits, or whose answer nobody waits for."""
        if given_up.is_set():
            process.end()
            raise GivenUp
        if time.monotonic() > until:
            process.end()
            raise Unanswered(
                f"the answer took longer than {seconds:.0f} seconds", advice="ask about a shorter time"
            )
        if process.octets > self._octets:
            process.end()
            raise Unanswered(
                f"the answer needed more than {self._octets >> 20} MiB", advice="ask about a shorter time"
            )

    def close(self) -> None:
        """Ends all processes."""
        for process in self._all:
            process.end()
        self._threads.shutdown(wait=False, cancel_futures=True)


class _Process:
    """A worker and its pipe."""

    def __init__(self, context: Any) -> None:
        self.pipe: Connection
        self.pipe, other = context.Pipe()
        self._process = context.Process(target=work, args=(other,), daemon=True, name="flowdiag-desk-worker")
        self._process.start()
        other.close()
        self.is_sound = True
        self._ending = Lock()

    @property
    def pid(self) -> int:
        return int(self._process.pid)

    @property
    def octets(self) -> int:
        """Memory that it takes now; 0 once it is gone."""
        try:
            return int(psutil.Process(self.pid).memory_info().rss)
        except psutil.Error:
            return 0

    def end(self) -> None:
        """From any thread, and as often as they like: who waits for its answer and who closes all may do so at once."""
        with self._ending:
            self.is_sound = False
            if not self.pipe.closed:
                self._process.kill()
                self._process.join(5)
                self.pipe.close()
