"""Those who answer: limits of time and memory, questions that are given up, processes that die."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Awaitable, Callable
from threading import Event
from typing import TypeVar

import psutil
import pytest

from flowdiag.desk.asking.worker import Answered, Same
from flowdiag.desk.asking.workers import GivenUp, Overloaded, Unanswered, Workers
from flowdiag.errors import UsageError
from tests.desk.questions import Die, Echo, Grow, Sleep, Wrong

Got = TypeVar("Got")
SECONDS, OCTETS = 4.0, 600 << 20


def with_workers(ask: Callable[[Workers], Awaitable[Got]], count: int = 2) -> Got:
    """What `ask` gives, asked of workers that are ended afterwards."""

    async def run() -> Got:
        workers = Workers(count, SECONDS, OCTETS)
        try:
            return await ask(workers)
        finally:
            pids = workers.pids
            workers.close()
            assert not any(map(psutil.pid_exists, pids))

    return asyncio.run(run())


def test_a_question_is_answered_and_its_progress_told() -> None:
    told: list[tuple[int, int]] = []

    async def ask(workers: Workers) -> None:
        assert await workers.ask(Echo("yes")) == Answered("yes", None)
        await workers.ask(Sleep(1.0), told=lambda done, whole: told.append((done, whole)))

    with_workers(ask)
    assert told
    assert told == sorted(told)
    assert {whole for _, whole in told} == {100}


def test_an_answer_that_is_known_is_not_worked_out_again(tmp_path) -> None:
    file, counted = tmp_path / "state", tmp_path / "counted"
    file.write_text("first")
    question = Echo("yes", str(file), str(counted))

    async def ask(workers: Workers) -> None:
        assert await workers.ask(question) == Answered("yes", "first")
        assert await workers.ask(question, "first") == Same()
        file.write_text("second")
        assert await workers.ask(question, "first") == Answered("yes", "second")

    with_workers(ask)
    assert counted.read_text() == ".."


def test_what_takes_too_long_is_ended_and_others_are_answered() -> None:
    async def ask(workers: Workers) -> None:
        began = time.monotonic()
        with pytest.raises(Unanswered, match="longer than 4 seconds"):
            await workers.ask(Sleep(60))
        assert time.monotonic() - began < SECONDS + 2
        assert await workers.ask(Echo("still here")) == Answered("still here", None)
        assert len(workers.pids) == 1

    with_workers(ask, 1)


def test_what_grows_too_large_is_ended() -> None:
    async def ask(workers: Workers) -> None:
        with pytest.raises(Unanswered, match="600 MiB"):
            await workers.ask(Grow(1 << 30))
        assert await workers.ask(Echo("still here")) == Answered("still here", None)

    with_workers(ask, 1)


def test_a_process_that_dies_is_replaced() -> None:
    async def ask(workers: Workers) -> None:
        with pytest.raises(Unanswered, match="ended"):
            await workers.ask(Die())
        assert await workers.ask(Echo("still here")) == Answered("still here", None)

    with_workers(ask, 1)


def test_errors_of_the_asker_are_told_and_those_of_the_program_are_not() -> None:
    async def ask(workers: Workers) -> None:
        with pytest.raises(UsageError, match="this is no time"):
            await workers.ask(Wrong(ours=False))
        with pytest.raises(Unanswered) as told:
            await workers.ask(Wrong(ours=True))
        assert "secret" not in str(told.value)

    with_workers(ask, 1)


def test_a_question_that_is_given_up_frees_its_worker() -> None:
    async def ask(workers: Workers) -> float:
        leave = Event()
        asking = asyncio.create_task(workers.ask(Sleep(3.5), given_up=leave))
        await asyncio.sleep(0.3)
        began = time.monotonic()
        leave.set()
        with pytest.raises(GivenUp):
            await asking
        assert await workers.ask(Echo("next")) == Answered("next", None)
        return time.monotonic() - began

    assert with_workers(ask, 1) < 2.5


def test_long_questions_leave_one_worker_for_short_ones() -> None:
    async def ask(workers: Workers) -> None:
        long = [asyncio.create_task(workers.ask(Sleep(1.5, longish=True))) for _ in range(3)]
        await asyncio.sleep(0.2)
        began = time.monotonic()
        assert await workers.ask(Echo("quick")) == Answered("quick", None)
        assert time.monotonic() - began < 1.0
        for one in long:
            one.cancel()

    with_workers(ask, 2)


def test_no_more_wait_than_there_is_room_for(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("flowdiag.desk.asking.workers.MOST_WAITING", 2)

    async def ask(workers: Workers) -> None:
        asked = [asyncio.create_task(workers.ask(Sleep(0.5))) for _ in range(3)]
        await asyncio.sleep(0.1)
        with pytest.raises(Overloaded):
            await workers.ask(Echo("too many"))
        assert len(await asyncio.gather(*asked)) == 3

    with_workers(ask, 1)
