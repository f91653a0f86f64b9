"""One computation for all who ask the same, kept while the store is the same, given up when nobody waits."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from pathlib import Path

import pytest

from flowdiag.desk.asking import answers as module
from flowdiag.desk.asking.answers import Answers
from flowdiag.desk.asking.workers import GivenUp, Unanswered, Workers
from tests.desk.questions import Echo, Sleep


def with_answers(ask: Callable[[Answers], Awaitable[None]]) -> None:
    async def run() -> None:
        workers = Workers(2, 20.0, 1 << 30)
        try:
            await ask(Answers(workers))
        finally:
            workers.close()

    asyncio.run(run())


def test_ten_people_on_one_incident_cost_one_computation(tmp_path: Path) -> None:
    state, counted = tmp_path / "state", tmp_path / "counted"
    state.write_text("s")
    question = Echo("note", str(state), str(counted))

    async def ask(answers: Answers) -> None:
        works = [answers.begin(question, f"person {number}") for number in range(10)]
        assert {await answers.wait(work, 10) for work in works} == {"note"}
        assert await answers.answer(question) == "note"

    with_answers(ask)
    assert counted.read_text() == "."


def test_a_changed_store_is_noticed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "TRUSTED_S", 0.0)
    state, counted = tmp_path / "state", tmp_path / "counted"
    state.write_text("before")
    question = Echo("note", str(state), str(counted))

    async def ask(answers: Answers) -> None:
        await answers.answer(question)
        await answers.answer(question)
        assert counted.read_text() == "."
        state.write_text("after")
        await answers.answer(question)

    with_answers(ask)
    assert counted.read_text() == ".."


def test_what_everybody_left_is_given_up_and_what_somebody_waits_for_is_not() -> None:
    question = Sleep(2.0)

    async def ask(answers: Answers) -> None:
        work = answers.begin(question, "one")
        answers.begin(question, "two")
        with pytest.raises(TimeoutError):
            await answers.wait(work, 0.3)
        answers.leave(work.key, "one")
        await asyncio.sleep(0.3)
        assert answers.running(work.key) is work
        answers.leave(work.key, "two")
        with pytest.raises(GivenUp):
            await answers.wait(work, 5)
        assert answers.running(work.key) is None

    with_answers(ask)


def test_what_nobody_asks_after_is_given_up(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "FORGOTTEN_S", 1.0)

    async def ask(answers: Answers) -> None:
        with pytest.raises(GivenUp):
            await answers.wait(answers.begin(Sleep(15.0), "gone"), 10)

    with_answers(ask)


def test_kept_answers_take_no_more_room_than_they_may(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(module, "KEPT_OCTETS", 10_000)
    state, counted = tmp_path / "state", tmp_path / "counted"
    state.write_text("s")

    async def ask(answers: Answers) -> None:
        questions = [Echo(str(number) * 2_000, str(state), str(counted)) for number in range(8)]
        for question in questions:
            await answers.answer(question)
        assert counted.read_text() == "." * 8
        await answers.answer(questions[-1])
        assert counted.read_text() == "." * 8
        await answers.answer(questions[0])
        assert counted.read_text() == "." * 9

    with_answers(ask)


def test_a_long_answer_and_a_long_error_stay_for_those_who_wait(monkeypatch: pytest.MonkeyPatch) -> None:
    """Nothing of these is to be kept, yet who waited asks once more to get it."""
    monkeypatch.setattr(module, "HANDED_OUT_S", 1.0)

    async def ask(answers: Answers) -> None:
        first = await answers.answer(Sleep(0.8))
        assert await answers.answer(Sleep(0.8)) == first
        workers = answers._workers
        workers._seconds = 1.0
        with pytest.raises(Unanswered):
            await answers.answer(Sleep(30.0))
        began = asyncio.get_running_loop().time()
        with pytest.raises(Unanswered):
            await answers.answer(Sleep(30.0))
        assert asyncio.get_running_loop().time() - began < 0.5
        await asyncio.sleep(1.1)
        workers._seconds = 20.0
        with pytest.raises(TimeoutError):  # it is worked on anew
            await answers.wait(answers.begin(Sleep(30.0), "one"), 0.5)

    with_answers(ask)
