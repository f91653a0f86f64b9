"""Work on one batch while the next is decoded.

Facts the design follows: decoding is Python at heart, what comes after it numpy and Arrow, which let Python go on
meanwhile; one batch waits at most, so memory does not grow; all is done in order, so the result is the same.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from concurrent.futures import Future, ThreadPoolExecutor
from typing import TypeVar

import pyarrow as pa

Item = TypeVar("Item")


def each_meanwhile(work: Callable[[Item], None], items: Iterable[Item]) -> None:
    """Does the work on each item, in a thread while the next item is made; of two errors the first is raised.

    A process that has one core only, as pyarrow.cpu_count() says, does one after the other.
    """
    if pa.cpu_count() == 1:
        for item in items:
            work(item)
        return
    with ThreadPoolExecutor(1) as worker:
        before: Future[None] | None = None
        for item in items:
            if before is not None:
                before.result()
            before = worker.submit(work, item)
        if before is not None:
            before.result()
