"""Answers, each worked out once: for all who ask the same at the same time, and for those who ask later while the store is
the same."""

from __future__ import annotations

import asyncio
import pickle
import time
from collections import OrderedDict
from threading import Event
from typing import Any, Final

from flowdiag.desk.asking.question import Question
from flowdiag.desk.asking.worker import Same
from flowdiag.desk.asking.workers import GivenUp, Workers
from flowdiag.errors import FlowdiagError

KEPT_OCTETS: Final = 64 << 20  # of all kept answers
# So long an answer holds without a look at the store: an incident is asked about by many within a minute.
TRUSTED_S: Final = 5.0
# Who waits asks how far it is every second or so; a question that nobody asked after for so long is given up.
FORGOTTEN_S: Final = 20.0
# Who waits for a long answer asks again when it is there: so long it stays for them, and an error as well, even where
# nothing is to be kept.
HANDED_OUT_S: Final = 10.0
LONG_S: Final = 0.5  # of an answer that somebody may have to ask for again


class Kept:
    """An answer, or the error in its place, with the state that it holds for; None for one that is to be handed out only."""

    def __init__(self, content: Any, state: str | None, octets: int) -> None:
        self.content, self.state, self.octets = content, state, octets
        self.looked_at = time.monotonic()

    @property
    def holds(self) -> bool:
        """Whether it may be given without a look at the store."""
        age = time.monotonic() - self.looked_at
        return age < (HANDED_OUT_S if self.state is None else TRUSTED_S)


class Work:
    """A question that is being worked on. done, whole: how far it is; whole is 0 while that is unknown."""

    def __init__(self, key: str) -> None:
        self.key = key
        self.done = self.whole = 0
        self.task: asyncio.Task[Any]
        self.given_up = Event()
        self.waiting: set[str] = set()
        self.seen = time.monotonic()
        self.begun = self.seen

    def told(self, done: int, whole: int) -> None:
        self.done, self.whole = done, whole

    @property
    def part(self) -> float | None:
        """How much is done, 0 to 1; None while that is unknown."""
        return min(self.done / self.whole, 1.0) if self.whole else None


class Answers:
    """All methods are called from one event loop."""

    def __init__(self, workers: Workers) -> None:
        self._workers = workers
        self._kept: OrderedDict[str, Kept] = OrderedDict()
        self._octets = 0
        self._running: dict[str, Work] = {}
        self._watching: asyncio.Task[None] | None = None

    async def answer(self, question: Question) -> Any:
        """The answer, however long it takes. Raises FlowdiagError."""
        return await self.wait(self.begin(question, "-"), None)

    def begin(self, question: Question, who: str) -> Work:
        """Begins to work on a question, or joins those who wait for its answer. who: whoever waits, by whatever tells them
        apart; the same may begin it as often as they like."""
        key = question.key
        work = self._running.get(key)
        if work is None:
            work = self._running[key] = Work(key)
            work.task = asyncio.get_running_loop().create_task(self._work(question, work))
            work.task.add_done_callback(lambda task: self._over(work, task))
        work.waiting.add(who)
        work.seen = time.monotonic()
        if self._watching is None or self._watching.done():
            self._watching = asyncio.get_running_loop().create_task(self._watch())
        return work

    async def wait(self, work: Work, seconds: float | None) -> Any:
        """The answer. Raises TimeoutError where it takes longer, and FlowdiagError."""
        done, _ = await asyncio.wait({work.task}, timeout=seconds)
        if not done:
            raise TimeoutError
        return work.task.result()

    def running(self, key: str) -> Work | None:
        """The work on the question with that key, which somebody waits for."""
        work = self._running.get(key)
        if work is not None:
            work.seen = time.monotonic()
        return work

    def leave(self, key: str, who: str) -> None:
        """Somebody does not wait any more; where nobody else does, the work ends."""
        work = self._running.get(key)
        if work is not None:
            work.waiting.discard(who)
            if not work.waiting:
                work.given_up.set()

    def forget(self, key: str) -> None:
        """Nobody may have the answer to that question any more: the work on it ends, and no answer is kept."""
        work = self._running.get(key)
        if work is not None:
            work.given_up.set()
        kept = self._kept.pop(key, None)
        self._octets -= 0 if kept is None else kept.octets

    async def _work(self, question: Question, work: Work) -> Any:
        kept = self._kept.get(work.key)
        if kept is not None:
            self._kept.move_to_end(work.key)
            if kept.holds:
                return _given(kept.content)
        state = None if kept is None else kept.state
        try:
            answered = await self._workers.ask(question, state, work.told, work.given_up)
        except FlowdiagError as error:
            self._keep(work, error, None)
            raise
        if isinstance(answered, Same):
            assert kept is not None
            kept.looked_at = time.monotonic()
            return kept.content
        if not work.given_up.is_set():
            self._keep(work, answered.content, answered.state)
        return answered.content

    def _over(self, work: Work, task: asyncio.Task[Any]) -> None:
        self._running.pop(work.key, None)
        if not task.cancelled():
            task.exception()  # whoever waited has it; where nobody did, it is of no interest

    def _keep(self, work: Work, content: Any, state: str | None) -> None:
        if state is None and time.monotonic() - work.begun < LONG_S:
            return  # whoever asked has it by now
        octets = len(pickle.dumps(content))
        before = self._kept.pop(work.key, None)
        self._octets -= 0 if before is None else before.octets
        if octets > KEPT_OCTETS // 4:
            return
        self._kept[work.key] = Kept(content, state, octets)
        self._octets += octets
        while self._octets > KEPT_OCTETS:
            _, oldest = self._kept.popitem(last=False)
            self._octets -= oldest.octets

    async def _watch(self) -> None:
        """Gives up what nobody asked after."""
        while self._running:
            await asyncio.sleep(1)
            for work in list(self._running.values()):
                if "-" not in work.waiting and time.monotonic() - work.seen > FORGOTTEN_S:
                    work.given_up.set()


def _given(content: Any) -> Any:
    if isinstance(content, FlowdiagError):
        raise content
    return content


__all__ = ["Answers", "GivenUp", "Kept", "Work"]
