"""Runs of the lab that are played while other tests run, once for all processes of a test run.

Whoever asks first starts them, as a process of its own that ends by itself. It holds a lock as long as it lives; whoever wants
what came of it waits for the lock.
"""

from __future__ import annotations

import fcntl
import subprocess
import sys
from collections.abc import Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path
from typing import Final

from tests.lab.__main__ import Row, judge, record
from tests.lab.recording import TRUTH
from tests.lab.runs import named

ROOT: Final = Path(__file__).parents[2]
LOG: Final = "log"


class Background:
    """names: of the runs; folder: where they are kept, the same for all processes."""

    def __init__(self, folder: Path, names: Iterable[str]) -> None:
        self._folder = folder
        self._names = tuple(names)
        folder.mkdir(exist_ok=True)

    def start(self) -> None:
        """Starts all runs at once, unless somebody has."""
        log = self._folder / LOG
        with self._locked(fcntl.LOCK_EX | fcntl.LOCK_NB) as lock:
            if lock is None or log.exists():
                return
            words = [sys.executable, "-m", "tests.lab.background", str(self._folder), *self._names]
            with log.open("wb") as errors:
                subprocess.Popen(
                    words, cwd=ROOT, stdin=subprocess.DEVNULL, stdout=errors, stderr=errors, pass_fds=[lock]
                )

    def row(self, name: str) -> Row:
        """Waits for the runs, and judges one. Raises AssertionError where it was not recorded."""
        with self._locked(fcntl.LOCK_SH):
            place = self._folder / name
            assert (place / TRUTH).exists(), (self._folder / LOG).read_text(encoding="utf-8")
            return judge(place)

    @contextmanager
    def _locked(self, how: int) -> Iterator[int | None]:
        """The lock's file descriptor while it is held, None where somebody else holds it."""
        with (self._folder / "lock").open("ab") as file:
            try:
                fcntl.flock(file, how)
            except BlockingIOError:
                yield None
            else:
                yield file.fileno()


def main() -> None:
    folder, *names = sys.argv[1:]
    with ThreadPoolExecutor(len(names)) as pool:
        for _ in pool.map(lambda name: record(named(name), Path(folder, name)), names):
            pass


if __name__ == "__main__":
    main()
