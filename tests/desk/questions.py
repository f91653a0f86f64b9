"""Questions that are answered in a moment, never, or with too much memory: for tests of those who answer."""

from __future__ import annotations

import os
import time
from pathlib import Path

from flowdiag.desk.asking.question import Progress, Question
from flowdiag.errors import UsageError


class Echo(Question, frozen=True):
    """Answered with its word, for as long as the file's content is the same; counts its answers in `counted`."""

    word: str
    file: str | None = None
    counted: str | None = None

    def state(self) -> str | None:
        return None if self.file is None else Path(self.file).read_text()

    def answer(self, progress: Progress) -> str:
        if self.counted is not None:
            with open(self.counted, "a") as file:
                file.write(".")
        return self.word


class Sleep(Question, frozen=True):
    seconds: float
    longish: bool = False

    @property
    def long(self) -> bool:
        return self.longish

    def answer(self, progress: Progress) -> int:
        for step in range(100):
            progress(step, 100)
            time.sleep(self.seconds / 100)
        return os.getpid()


class Grow(Question, frozen=True):
    octets: int

    def answer(self, progress: Progress) -> int:
        held = bytearray(self.octets)
        held[::4096] = b"1" * len(held[::4096])
        time.sleep(5)
        return len(held)


class Wrong(Question, frozen=True):
    """Of the asker's making, or of the program's."""

    ours: bool

    def answer(self, progress: Progress) -> None:
        if self.ours:
            raise ValueError("secret of the inside")
        raise UsageError("this is no time", expected="14:00")


class Die(Question, frozen=True):
    def answer(self, progress: Progress) -> None:
        os._exit(9)
