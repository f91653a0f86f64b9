"""Several pieces of work at a time, and the result of one after the other."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator

import pyarrow as pa
import pytest

from flowdiag.aggregator.concurrently import MOST_THREADS, do_all, in_order


@pytest.fixture(params=[1, 2, 8])
def cores(request: pytest.FixtureRequest) -> Iterator[int]:
    before = pa.cpu_count()
    pa.set_cpu_count(request.param)
    yield request.param
    pa.set_cpu_count(before)


def test_results_come_in_the_order_of_the_items(cores: int) -> None:
    def late(item: int) -> int:
        time.sleep(0.002 * (item % 3 == 0))
        return item * item

    assert list(in_order(late, range(20))) == [item * item for item in range(20)]
    assert list(in_order(late, (item for item in range(20)))) == [item * item for item in range(20)]


def test_no_more_is_done_at_once_than_asked_for(cores: int) -> None:
    now, most, lock = 0, 0, threading.Lock()

    def work(_: int) -> None:
        nonlocal now, most
        with lock:
            now += 1
            most = max(most, now)
        time.sleep(0.002)
        with lock:
            now -= 1

    do_all(work, range(12), at_once=1)
    assert most == 1
    most = 0
    do_all(work, range(12))
    assert most <= min(cores, MOST_THREADS)


def test_items_are_taken_as_results_are(cores: int) -> None:
    taken = 0

    def items() -> Iterator[int]:
        nonlocal taken
        for item in range(100):
            taken += 1
            yield item

    results = in_order(abs, items())
    for place in range(10):
        assert next(results) == place
        assert taken <= place + 1 + MOST_THREADS


def test_the_first_error_in_order_is_raised_and_nothing_goes_on_behind_it(cores: int) -> None:
    done = []

    def work(item: int) -> int:
        if item in (3, 5):
            raise ValueError(f"item {item}")
        done.append(item)
        return item

    found = []
    with pytest.raises(ValueError, match="item 3"):
        found.extend(in_order(work, range(50)))
    assert set(done) <= set(range(4 + MOST_THREADS))


def test_an_error_of_the_items_is_raised_too(cores: int) -> None:
    def items() -> Iterator[int]:
        yield 1
        raise OSError("unreadable")

    with pytest.raises(OSError, match="unreadable"):
        do_all(abs, items(), at_once=1)
    assert threading.active_count() < 10


def test_a_single_step_needs_no_thread(cores: int) -> None:
    assert list(in_order(lambda _: threading.current_thread(), [0])) == [threading.main_thread()]
