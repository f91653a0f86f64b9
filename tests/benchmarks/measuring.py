"""Taking turns: what is compared runs alternately, so that a busy machine slows both, and medians are compared."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from collections.abc import Callable, Sequence
from pathlib import Path
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


# Between two looks at a process's memory.
_PAUSE_S = 0.01


def run(code: str, *arguments: str) -> Usage:
    """Runs Python code with arguments, output thrown away. Raises CalledProcessError if it fails.

    The peak is looked up in /proc while the process runs: the one of wait4 starts at that of the parent.
    """
    command = [sys.executable, "-c", code, *arguments]
    # An installed program is compiled once, not at each start.
    environment = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    started = time.perf_counter()
    peak = 0
    with subprocess.Popen(command, stdout=subprocess.DEVNULL, env=environment) as process:
        status = Path(f"/proc/{process.pid}/status")
        while process.poll() is None:
            peak = max(
                [peak, *(int(line.split()[1]) for line in status.read_text().splitlines() if "VmHWM" in line)]
            )
            time.sleep(_PAUSE_S)
        seconds = time.perf_counter() - started
    if process.returncode:
        raise subprocess.CalledProcessError(process.returncode, command)
    return Usage(seconds, peak / 1024)


def processes_in_turns(repeat: int, *commands: Sequence[str]) -> list[Usage]:
    """Median seconds and most memory of each of several commands (code, arguments) run alternately."""
    for command in commands:
        run(*command)
    rounds = [[run(*command) for command in commands] for _ in range(repeat)]
    return [
        Usage(median(used.seconds for used in uses), max(used.mebioctets for used in uses))
        for uses in zip(*rounds, strict=True)
    ]


def verdict(value: float, wanted: float, *, at_most: bool = False) -> str:
    met = value <= wanted if at_most else value >= wanted
    return f"{'at most' if at_most else 'at least'} {wanted:g}: {'met' if met else 'MISSED'}"
