"""Who of some workers does the tasks of which home: always the same one, which then knows from the last time what they need.

A task that has a `home` (a number) belongs to it. A new home goes to whoever has the fewest tasks, the largest first. It stays
there while that worker does, unless others have clearly less to do: then just as much moves as makes it even, since who has a
home new reads all of it anew.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from typing import Any, Final, Generic, TypeVar

Worker = TypeVar("Worker")

# How much more one may have to do than another, as a part of what all have on average.
UNEVEN: Final = 1 / 8


class Homes(Generic[Worker]):
    """The same tasks and workers, asked for in the same order, give the same places."""

    def __init__(self) -> None:
        self._of: dict[int, Worker] = {}
        self._sizes: dict[int, int] = {}  # the tasks of each home when it was asked for last

    def places(self, tasks: Sequence[Any], workers: Sequence[Worker]) -> list[Worker | None]:
        """Of each task its worker; None where it has no home, or where there are no workers."""
        homes = [getattr(task, "home", None) for task in tasks]
        self._sizes |= Counter(home for home in homes if home is not None)
        self._of = {home: worker for home, worker in self._of.items() if worker in workers}
        if workers:
            load = dict.fromkeys(workers, 0)
            for home, worker in self._of.items():
                load[worker] += self._sizes[home]
            self._place({home for home in homes if home is not None} - self._of.keys(), load)
            self._even_out(load)
        return [None if home is None else self._of.get(home) for home in homes]

    def _place(self, homes: Iterable[int], load: dict[Worker, int]) -> None:
        for home in sorted(homes, key=lambda home: (-self._sizes[home], home)):
            worker = min(load, key=load.__getitem__)
            self._of[home] = worker
            load[worker] += self._sizes[home]

    def _even_out(self, load: dict[Worker, int]) -> None:
        most_uneven = UNEVEN * sum(load.values()) / len(load)
        while True:
            most, least = max(load, key=load.__getitem__), min(load, key=load.__getitem__)
            apart = load[most] - load[least]
            sizes = {home: self._sizes[home] for home in self._of if self._of[home] == most}
            movable = [home for home, size in sizes.items() if size < apart]
            if apart <= most_uneven or not movable:
                return
            home = min(movable, key=lambda home: (abs(2 * sizes[home] - apart), home))
            self._of[home] = least
            load[most] -= sizes[home]
            load[least] += sizes[home]
