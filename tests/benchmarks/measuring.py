"""Taking turns: what is compared runs alternately, so that a busy machine slows both, and medians are compared."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from collections.abc import Callable, Sequence
from statistics import median
from typing import NamedTuple


def seconds_of(work: Callable[[], object]) -> float:
    started = time.perf_counter()
    work()
    return time.perf_counter() - started


def in_turns(repeat: int, *works: Callable[[], object]) -> list[float]:
    """The median seconds of each of several works that are run alternately, after one round that does not count."""
    for work in works:
        work()
    rounds = [[seconds_of(work) for work in works] for _ in range(repeat)]
    return [median(times) for times in zip(*rounds, strict=True)]


class Usage(NamedTuple):
    """A whole process: wall seconds, and the most memory it held, in MiB."""

    seconds: float
    mebioctets: float


def run(arguments: Sequence[str]) -> Usage:
    """Runs Python with arguments, output thrown away. Raises RuntimeError if it fails."""
    started = time.perf_counter()
    process = subprocess.Popen([sys.executable, *arguments], stdout=subprocess.DEVNULL)
    _, status, used = os.wait4(process.pid, 0)
    process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode:
        raise RuntimeError(f"{' '.join(arguments)} ended with {process.returncode}")
    return Usage(time.perf_counter() - started, used.ru_maxrss / 1024)


def processes_in_turns(repeat: int, *commands: Sequence[str]) -> list[Usage]:
    """Median seconds and most memory of each of several commands that are run alternately."""
    for command in commands:
        run(command)
    rounds = [[run(command) for command in commands] for _ in range(repeat)]
    return [
        Usage(median(used.seconds for used in uses), max(used.mebioctets for used in uses))
        for uses in zip(*rounds, strict=True)
    ]


def verdict(value: float, wanted: float, *, at_most: bool = False) -> str:
    met = value <= wanted if at_most else value >= wanted
    return f"{'at most' if at_most else 'at least'} {wanted:g}: {'met' if met else 'MISSED'}"
