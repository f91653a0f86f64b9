"""Which key of a full table goes first: those that never were of use, then the least recently used.

Facts the design follows:
- senders, sessions, domains and templates can be made up without end (RFC 7011 11.4, resource exhaustion), what they make
  the table hold must not push out those whose data were decoded. A made-up one pushes out another made-up one;
- a use costs nothing: it is only asked for when something has to go, and who was used since it was looked at last has
  its turn later (second chance, a common approximation of "least recently used").
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable, Hashable
from typing import Generic, TypeVar

Key = TypeVar("Key", bound=Hashable)


class EvictionOrder(Generic[Key]):
    """Keys in classes: done ones, newcomers in the order they came in, proven ones in order of their last use.

    uses: gives a value of a proven key that is another one after each use.
    """

    def __init__(self, uses: Callable[[Key], object]) -> None:
        self._uses = uses
        self._done: OrderedDict[Key, object] = OrderedDict()
        self._newcomers: OrderedDict[Key, object] = OrderedDict()
        self._proven: OrderedDict[Key, object] = OrderedDict()
        self._classes = self._done, self._newcomers, self._proven

    def __len__(self) -> int:
        return sum(map(len, self._classes))

    def __contains__(self, key: object) -> bool:
        return any(key in members for members in self._classes)

    def add(self, key: Key) -> None:
        """Adds a key as a newcomer, also one that is known already."""
        self.drop(key)
        self._newcomers[key] = None

    def prove(self, key: Key) -> None:
        """Makes a key a proven one: it was of use."""
        self.drop(key)
        self._proven[key] = self._uses(key)

    def finish(self, key: Key) -> None:
        """Lets a key go before all others: it will be of no use any more."""
        self.drop(key)
        self._done[key] = None

    def drop(self, key: Key) -> None:
        for members in self._classes:
            members.pop(key, None)

    def next_to_go(self) -> Key:
        """The key that goes next, which stays until drop(). Raises KeyError if there is none."""
        for members in (self._done, self._newcomers):
            if members:
                return next(iter(members))
        while self._proven:
            key, seen = next(iter(self._proven.items()))
            now = self._uses(key)
            if now == seen:
                return key
            self._proven[key] = now
            self._proven.move_to_end(key)
        raise KeyError("nothing is kept")
