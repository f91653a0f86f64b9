"""Questions to a store in which nobody can be kept from removing files: asked anew when some went in the middle.

Facts the design follows:
- a folder keeps its files while somebody reads (StorageBackend.reading()); a bucket has no locks, so days are merged and dropped
  there at any moment;
- what merged files hold was partly answered already when one of them is missed: only the whole question gives the
  answer of one state of the store;
- files are merged every half hour, which takes seconds: a question that meets that three times is not met by it.
"""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from functools import wraps
from typing import Final, ParamSpec, TypeVar

from flowdiag.errors import StoreChanged

TIMES: Final = 3

Words = ParamSpec("Words")
Answer = TypeVar("Answer")


def asked_again(question: Callable[Words, Answer]) -> Callable[Words, Answer]:
    """The question, asked up to TIMES times as long as it raises StoreChanged."""

    @wraps(question)
    def asked(*words: Words.args, **more: Words.kwargs) -> Answer:
        for _ in range(TIMES - 1):
            with suppress(StoreChanged):
                return question(*words, **more)
        return question(*words, **more)

    return asked
