"""Who of some workers does the tasks of which home: always the same one, which then knows from the last time what they need.

A task that has a `home` (a number) belongs to it. A new home goes to whoever has the fewest tasks, and stays there for as long as
he does; the largest are placed first, so that all have about as much to do.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from typing import Any, Generic, TypeVar

Worker = TypeVar("Worker")


class Homes(Generic[Worker]):
    """The same tasks and workers, asked for in the same order, give the same places."""

    def __init__(self) -> None:
        self._of: dict[int, Worker] = {}

    def places(self, tasks: Sequence[Any], workers: Sequence[Worker]) -> list[Worker | None]:
        """Of each task its worker; None where it has no home, or where there are no workers."""
        homes = [getattr(task, "home", None) for task in tasks]
        self._of = {home: worker for home, worker in self._of.items() if worker in workers}
        if workers:
            self._place(Counter(home for home in homes if home is not None), workers)
        return [None if home is None else self._of.get(home) for home in homes]

    def _place(self, sizes: Counter[int], workers: Sequence[Worker]) -> None:
        load = dict.fromkeys(workers, 0)
        for home, worker in self._of.items():
            load[worker] += sizes[home]
        for home in sorted(sizes.keys() - self._of.keys(), key=lambda home: (-sizes[home], home)):
            worker = min(workers, key=lambda worker: load[worker])
            load[worker] += sizes[home]
            self._of[home] = worker
