"""Questions that nobody waits for use a worker only while nobody waits for one."""

from __future__ import annotations

import asyncio
import time

from flowdiag.desk.asking.question import Progress, Question
from flowdiag.desk.asking.worker import Answered
from flowdiag.desk.asking.workers import Workers
from tests.desk.questions import Sleep
from tests.desk.test_workers import with_workers


class Quietly(Question, frozen=True):
    seconds: float

    @property
    def background(self) -> bool:
        return True

    def answer(self, progress: Progress) -> float:
        time.sleep(self.seconds)
        return time.monotonic()  # one clock for all processes of a machine


def test_it_is_answered_where_a_worker_is_idle() -> None:
    async def ask(workers: Workers) -> None:
        assert isinstance(await workers.ask(Quietly(0.0)), Answered)

    with_workers(ask)


def test_it_is_put_off_as_long_as_others_need_the_workers() -> None:
    async def ask(workers: Workers) -> tuple[float, float]:
        others = [asyncio.create_task(workers.ask(Sleep(0.5))) for _ in range(3)]
        await asyncio.sleep(0)
        quiet = asyncio.create_task(workers.ask(Quietly(0.0)))
        await asyncio.gather(*others)
        others_done = time.monotonic()
        answered = await quiet
        assert isinstance(answered, Answered)
        return others_done, answered.content

    others_done, quiet_done = with_workers(ask, count=1)
    assert quiet_done > others_done - 0.1  # none of the three waited for it


def test_one_at_a_time_so_that_a_worker_is_left_for_others() -> None:
    async def ask(workers: Workers) -> float:
        quiet = [asyncio.create_task(workers.ask(Quietly(1.5))) for _ in range(3)]
        await asyncio.sleep(0.3)
        begun = time.monotonic()
        await workers.ask(Sleep(0.0))
        took = time.monotonic() - begun
        for one in quiet:
            one.cancel()
        await asyncio.gather(*quiet, return_exceptions=True)
        return took

    assert with_workers(ask) < 1.0
