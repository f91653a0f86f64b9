"""Several pieces of work at a time, as far as there are cores, with the result that one after the other would give.

Facts the design follows: numpy and Arrow let other threads go on while they work on a long column, so threads of one
process share the columns and use all cores; Python itself, as in decoding, runs in one thread at a time.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sized
from concurrent.futures import Future, ThreadPoolExecutor
from typing import Final, TypeVar, cast

import pyarrow as pa

# Memory feeds no more than a few cores, and each piece of work takes some of it.
MOST_THREADS: Final = 4

Item = TypeVar("Item")
One = TypeVar("One")
Other = TypeVar("Other")
Result = TypeVar("Result")


def in_order(
    work: Callable[[Item], Result], items: Iterable[Item], at_once: int = MOST_THREADS
) -> Iterator[Result]:
    """The results of work on each item, in the order of the items, which are taken as the results are.

    at_once: so many at a time at most, in threads; with 1, one while the next item is made. No more than that wait for
    those before them either. A process that shall use one core, as pyarrow.cpu_count() says, does one after the other.
    Raises the first error in the order of the items.
    """
    threads = min(at_once, pa.cpu_count())
    if pa.cpu_count() == 1 or (isinstance(items, Sized) and len(items) <= 1):
        yield from map(work, items)
        return
    with ThreadPoolExecutor(threads) as pool:
        waiting: deque[Future[Result]] = deque()
        for item in items:
            if len(waiting) == at_once:
                yield waiting.popleft().result()
            waiting.append(pool.submit(work, item))
        while waiting:
            yield waiting.popleft().result()


def do_all(work: Callable[[Item], None], items: Iterable[Item], at_once: int = MOST_THREADS) -> None:
    """in_order() for work without a result."""
    for _ in in_order(work, items, at_once):
        pass


def both(one: Callable[[], One], other: Callable[[], Other]) -> tuple[One, Other]:
    """The results of two pieces of work, done at once as in_order() does. Raises the error of the first that has one."""
    works: list[Callable[[], One | Other]] = [one, other]
    first, second = in_order(lambda work: work(), works)
    return cast(One, first), cast(Other, second)
