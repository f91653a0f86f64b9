"""How many messages to take in one step, and when to try: as often as it pays."""

from __future__ import annotations

from typing import Final

ONE_STEP: Final = 1024
FIRST_STEP: Final = 16  # doubled while all of a step is alike: most that is not alike is soon known to be so
# A step costs as much as so many messages one by one.
WORTH: Final = 4
# After steps that did not pay, so many messages at most go one by one before the next is tried.
MOST_BETWEEN: Final = 63


class Strides:
    """most: how many messages to try in the next step."""

    def __init__(self) -> None:
        self.most = FIRST_STEP
        self._between = 0
        self._next = 0

    def due(self, at: int) -> bool:
        """Whether to try a step from this message on."""
        return at >= self._next

    def took(self, count: int, at: int) -> None:
        """Notes that so many messages were alike in the step tried at one."""
        self.most = min(2 * self.most, ONE_STEP) if count == self.most else FIRST_STEP
        self._between = 0 if count >= WORTH else min(2 * self._between + 1, MOST_BETWEEN)
        self._next = at + count + self._between
