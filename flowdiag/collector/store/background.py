"""Steps that one thread of its own does in their order, while whoever asks for them goes on.

Facts the design follows:
- decoding, compressing and summing up all happen in numpy and Arrow, which let other threads run meanwhile;
- what waits holds rows in memory: so a few steps wait, and who asks for more waits for the first of them.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from typing import TYPE_CHECKING, Any, Final, TypeVar

if TYPE_CHECKING:
    from concurrent.futures import Future, ThreadPoolExecutor

Given = TypeVar("Given")

MOST_WAITING: Final = 2  # besides the one that is being done


class Background:
    """One thread at most, which there is from the first step on until close()."""

    def __init__(self) -> None:
        self._thread: ThreadPoolExecutor | None = None
        self._steps: deque[Future[Any]] = deque()

    def do(self, step: Callable[[], object]) -> None:
        """Has a step done after those before it. Raises what one of those has raised."""
        while self._steps and (len(self._steps) > MOST_WAITING or self._steps[0].done()):
            self._steps.popleft().result()
        self._steps.append(self._begun(step))

    def given(self, step: Callable[[], Given]) -> Given:
        """What a step gives when it is done after those before it. Raises what it, or one of those, has raised."""
        last = self._begun(step)
        while self._steps:
            self._steps.popleft().result()
        return last.result()

    def close(self) -> None:
        """Ends the thread; what it has not begun is not done."""
        if self._thread is not None:
            self._thread.shutdown(cancel_futures=True)
        self._thread = None
        self._steps.clear()

    def _begun(self, step: Callable[[], Given]) -> Future[Given]:
        if self._thread is None:
            from concurrent.futures import ThreadPoolExecutor

            self._thread = ThreadPoolExecutor(1, "roll-up")
        return self._thread.submit(step)
