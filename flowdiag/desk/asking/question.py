"""What can be asked of the processes that answer: a question is data, and says itself how it is answered.

A question class stands in a module that is cheap to import (the server does too); what answers it is imported where it is
called, in a worker. Two questions that are equal have the same answer as long as `state()` is the same.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from typing import Any

import msgspec
from msgspec import Struct

Progress = Callable[[int, int], None]


class Question(Struct, frozen=True, tag=True):
    """long: it may take more than a few seconds; one worker is kept free of such. parts: it is as much as so many questions in
    one, and may take as many times the time of one."""

    @property
    def long(self) -> bool:
        return False

    @property
    def background(self) -> bool:
        """Whether nobody waits for it: it is put off as long as anybody waits for something else."""
        return False

    @property
    def parts(self) -> int:
        return 1

    @property
    def key(self) -> str:
        """What equal questions share: a digest of kind and content."""
        return hashlib.sha256(msgspec.json.encode(self)).hexdigest()

    def state(self) -> str | None:
        """What the answer depends on beside the question, as a digest; None for an answer that is not to be kept. In a
        worker. Raises FlowdiagError."""
        return None

    def answer(self, progress: Progress) -> Any:
        """The answer, which can be pickled. In a worker. Raises FlowdiagError."""
        raise NotImplementedError
