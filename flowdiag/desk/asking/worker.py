"""The process that answers questions, one after another, and what goes through its pipe."""

from __future__ import annotations

import contextlib
import logging
import signal
import time
from multiprocessing.connection import Connection
from typing import Any, Final

from msgspec import Struct

from flowdiag.desk.asking.question import Progress, Question
from flowdiag.desk.logs import begin_logging
from flowdiag.errors import FlowdiagError
from flowdiag.text.wording.desk import ask as wording

_LOG: Final = logging.getLogger("flowdiag.desk.worker")
TOLD_EVERY_S: Final = 0.2


class Asked(Struct, frozen=True):
    """known: the state for which the answer is known already."""

    question: Question
    known: str | None


class Worked(Struct, frozen=True):
    """How far it is, in whatever unit is counted; whole: 0 if unknown."""

    done: int
    whole: int


class Same(Struct, frozen=True):
    """The answer that is known holds."""


class Answered(Struct, frozen=True):
    content: Any
    state: str | None


class Failed(Struct, frozen=True):
    """what: for the person who asked, one line; error: of flowdiag where it is one of its own, which may be said to them."""

    error: FlowdiagError | None
    what: str


Message = Worked | Same | Answered | Failed


def work(pipe: Connection) -> None:
    """Answers what comes through the pipe until it is closed. The parent's Ctrl-C is not this process's."""
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, signal.SIG_IGN if number == signal.SIGINT else signal.SIG_DFL)
    import pyarrow as pa

    begin_logging()
    pa.set_cpu_count(1)  # as many workers as cores: threads would be in each other's way
    with contextlib.suppress(EOFError, OSError):  # the desk has ended
        while True:
            pipe.send(_answer(pipe.recv(), _telling(pipe)))


def _answer(asked: Asked, progress: Progress) -> Message:
    question = asked.question
    try:
        state = question.state()
        if state is not None and state == asked.known:
            return Same()
        return Answered(question.answer(progress), state)
    except FlowdiagError as error:
        return Failed(error, str(error))
    except MemoryError:
        return Failed(None, wording.TOO_MUCH_MEMORY)
    except Exception as error:
        _LOG.exception("a question failed", extra={"question": type(question).__name__})
        return Failed(None, wording.failed(type(error).__name__))


def _telling(pipe: Connection) -> Progress:
    told = time.monotonic()

    def progress(done: int, whole: int) -> None:
        nonlocal told
        if time.monotonic() - told >= TOLD_EVERY_S:
            told = time.monotonic()
            pipe.send(Worked(done, whole))

    return progress
