"""Signals of a case are worked out once, by whichever thread asks first, and go with the case."""

from __future__ import annotations

import gc
import time
import weakref
from concurrent.futures import ThreadPoolExecutor

from msgspec.structs import replace

from flowdiag.diagnoser.case import Case
from flowdiag.diagnoser.once import once_per_case
from tests.diagnoser.building import Book

ASKED: list[Case] = []


def a_case() -> Case:
    book = Book()
    book.talk(0, 60, 1_000_000, 50_000)
    return book.case()


@once_per_case
def width(case: Case) -> int:
    ASKED.append(case)
    time.sleep(0.05)  # long enough for others to ask meanwhile
    return case.window_ms[1] - case.window_ms[0]


@once_per_case
def twice_as_wide(case: Case) -> int:
    return 2 * width(case)


def test_many_threads_ask_and_one_works() -> None:
    ASKED.clear()
    case = a_case()
    with ThreadPoolExecutor(8) as pool:
        found = list(pool.map(lambda ask: ask(case), [width, twice_as_wide] * 4))
    assert len(ASKED) == 1
    assert found == [width(case), 2 * width(case)] * 4


def test_a_case_that_replaces_another_has_signals_of_its_own() -> None:
    case = a_case()
    begin, end = case.window_ms
    other = replace(case, window_ms=(begin, end + 1))
    assert (width(case), width(other)) == (end - begin, end - begin + 1)


def test_signals_go_with_their_case() -> None:
    case = a_case()
    width(case)
    ASKED.clear()
    gone = weakref.ref(case.signals)
    del case
    gc.collect()
    assert gone() is None
