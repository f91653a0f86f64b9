"""A bound on something that many domains keep: one count for all of them."""

from __future__ import annotations


class Allowance:
    """How many things may be kept in all. taken: how many are."""

    __slots__ = ("most", "taken")

    def __init__(self, most: int) -> None:
        self.most = most
        self.taken = 0

    def take(self) -> bool:
        """Whether one more may be kept; it then counts."""
        if self.taken >= self.most:
            return False
        self.taken += 1
        return True

    def give_back(self, count: int) -> None:
        self.taken -= count
