"""Runs tests over mutants, in copies of the checkout: what a mutant breaks is broken there.

Each run is a fork of a process that has loaded the large libraries already, but no module of the program.
"""

from __future__ import annotations

import os
import resource
import shutil
import signal
import sys
import time
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from importlib import import_module
from importlib.util import cache_from_source
from pathlib import Path
from typing import Final, NoReturn, TypeVar

import pytest

from tests.mutants.making import Mutant
from tests.mutants.touching import PACKAGES
from tests.mutants.tracing import Chosen, Tracer, written

LIBRARIES: Final = (
    "_pytest.assertion.rewrite",
    "hypothesis",
    "netaddr",
    "numpy",
    "pandas",
    "pyarrow.parquet",
    "scipy.stats",
)
NOT_COPIED: Final = (".git", ".venv", ".*_cache", ".hypothesis", "site")
# What a run may take beyond what the tests take on the sound program: an endless loop ends there.
TIMES_SLOWER: Final = 4
SECONDS_MORE: Final = 10.0
# Waiting takes no processor time: a run that waits for ever ends after so many times what it may compute.
WALL_TIMES: Final = 20
MEMORY_OCTETS: Final = 6 << 30


@dataclass(frozen=True)
class Ended:
    """How a run ended: exit code of pytest, below 0 a signal; and its processor time."""

    code: int
    seconds: float


@dataclass(frozen=True)
class Work:
    """Tests to run over a mutant of a module, by their names for pytest."""

    module: Path
    mutant: Mutant
    tests: tuple[str, ...]
    seconds: float


@dataclass(frozen=True)
class Look:
    """A test file to run over the sound program. What its tests run of some modules is written into a file."""

    modules: frozenset[str]
    tests: Path
    into: Path
    seconds: float


Task = TypeVar("Task", Work, Look)


class Copy:
    """A copy of the checkout, where one run at a time takes place."""

    def __init__(self, root: Path, folder: Path) -> None:
        self.root = folder / "copy"
        self._scratch = folder / "scratch"
        self._scratch.mkdir(parents=True)
        self._sound = b""
        shutil.copytree(root, self.root, ignore=shutil.ignore_patterns(*NOT_COPIED), symlinks=True)

    def start(self, work: Work | Look) -> int:
        """Puts the mutant in its place and starts the tests; the process's id."""
        if isinstance(work, Work):
            path = self.root / work.module
            self._sound = path.read_bytes()
            path.write_text(work.mutant.applied(self._sound.decode()), encoding="utf-8")
            # A source of the same second and size would be taken for the one compiled before.
            Path(cache_from_source(str(path))).unlink(missing_ok=True)
        pid = os.fork()
        if pid == 0:
            self._run(work)
        return pid

    def restore(self, work: Work | Look) -> None:
        """Puts the sound module back, and clears what a run left behind."""
        if isinstance(work, Work):
            (self.root / work.module).write_bytes(self._sound)
        shutil.rmtree(self._scratch, ignore_errors=True)
        self._scratch.mkdir()

    def _run(self, work: Work | Look) -> NoReturn:
        code = 3  # pytest's own for an error that is not a test's
        try:
            os.setsid()
            most = int(work.seconds)
            resource.setrlimit(resource.RLIMIT_CPU, (most, most + 1))
            resource.setrlimit(resource.RLIMIT_DATA, (MEMORY_OCTETS, MEMORY_OCTETS))
            log = os.open(self._scratch.parent / "log", os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
            os.dup2(log, 1)
            os.dup2(log, 2)
            os.chdir(self.root)
            os.environ.update(PYTHONPATH=str(self.root), TMPDIR=str(self._scratch))
            sys.dont_write_bytecode = isinstance(work, Work)
            for name in [name for name in sys.modules if name.split(".")[0] in PACKAGES]:
                del sys.modules[name]
            sys.path[:] = [
                str(self.root),
                *(path for path in sys.path if not Path(path, PACKAGES[0]).is_dir()),
            ]
            program = import_module(PACKAGES[0])
            assert Path(str(program.__file__)).is_relative_to(self.root), program.__file__
            words = ["-x", "-q", "-n0", "-p", "no:cacheprovider", "-m", "not slow"]
            if isinstance(work, Look):
                tracer = Tracer(self.root, work.modules)
                code = int(pytest.main([*words, str(work.tests)], [tracer]))
                work.into.write_text(written(tracer.seen), encoding="utf-8")
            else:
                files = dict.fromkeys(test.partition("::")[0] for test in work.tests)
                code = int(pytest.main([*words, *files], [Chosen(work.tests)]))
        finally:
            os._exit(code)


def load_libraries() -> None:
    """Saves each run a second or two."""
    for name in LIBRARIES:
        import_module(name)


class Runner:
    """Runs work in several copies at once."""

    def __init__(self, root: Path, folder: Path, jobs: int) -> None:
        self._copies = [Copy(root, folder / str(number)) for number in range(jobs)]

    def run(self, works: Iterable[Task]) -> Iterator[tuple[Task, Ended]]:
        """Each work with its end, in the order in which they end."""
        waiting = iter(works)
        idle = list(self._copies)
        running: dict[int, tuple[Copy, Task, float]] = {}
        try:
            while True:
                while idle and (work := next(waiting, None)) is not None:
                    copy = idle.pop()
                    running[copy.start(work)] = copy, work, time.monotonic() + WALL_TIMES * work.seconds
                if not running:
                    return
                for pid, (copy, work, until) in list(running.items()):
                    if time.monotonic() > until:
                        _end(pid)
                    done, status, used = os.wait4(pid, os.WNOHANG)
                    if done:
                        _end(pid)
                        copy.restore(work)
                        del running[pid]
                        idle.append(copy)
                        yield work, Ended(os.waitstatus_to_exitcode(status), used.ru_utime + used.ru_stime)
                time.sleep(0.02)
        finally:
            for pid in running:
                _end(pid)


def _end(group: int) -> None:
    """Ends a run and what it started."""
    try:
        os.killpg(group, signal.SIGKILL)
    except ProcessLookupError:
        return
