"""When the store's upkeep runs, and what is taken in of it. Clock and processes are injected."""

from __future__ import annotations

from multiprocessing import Pipe
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

import pytest

from flowdiag.collector.live.counters import Decoded
from flowdiag.collector.live.housekeeping import AGAIN_S, EVERY_S, FIRST_S, Housekeeping
from flowdiag.collector.live.settings import Settings


class Process:
    """One that does what it is told. exitcode: None while it runs."""

    def __init__(self) -> None:
        self.exitcode: int | None = None
        self.killed = False
        self.own, self.its = Pipe()

    def is_alive(self) -> bool:
        return self.exitcode is None

    def kill(self) -> None:
        self.killed, self.exitcode = True, -9

    def join(self) -> None:
        assert self.exitcode is not None

    def ends(self, code: int, told: Decoded | None = None) -> None:
        if told is not None:
            self.its.send(told)
        self.its.close()
        self.exitcode = code


class Runs:
    def __init__(self) -> None:
        self.at = 100.0
        self.started: list[Process] = []
        self.mending: list[bool] = []
        self.housekeeping = Housekeeping(Settings("flows", Path("spool")), self._start, lambda: self.at)

    def _start(self, *given: Any) -> tuple[Any, Connection]:
        self.mending.append(given[-1])
        self.started.append(Process())
        return self.started[-1], self.started[-1].own

    def after(self, seconds: float) -> int:
        """Looks then. Gives how many have been started."""
        self.at += seconds
        self.housekeeping.look()
        return len(self.started)


@pytest.fixture
def runs() -> Runs:
    return Runs()


def test_what_waited_at_the_start_comes_first_then_a_run_each_half_hour(runs: Runs) -> None:
    assert [runs.after(0), runs.after(FIRST_S - 1), runs.after(1), runs.after(10 * EVERY_S)] == [0, 0, 1, 1]
    runs.started[0].ends(0, Decoded(swept=1, merged=2, dropped_days=3))
    assert [runs.after(0), runs.after(EVERY_S - 1), runs.after(1)] == [1, 1, 2]
    runs.started[1].ends(0, Decoded(merged=5))
    runs.after(0)
    done = runs.housekeeping.done
    assert (done.swept, done.merged, done.dropped_days, done.upkeep) == (1, 7, 3, "")


def test_what_failed_is_told_and_tried_again_soon(runs: Runs) -> None:
    runs.after(FIRST_S)
    runs.started[0].ends(0, Decoded(upkeep="no space"))
    assert [runs.after(0), runs.after(AGAIN_S - 1), runs.after(1)] == [1, 1, 2]
    assert runs.housekeeping.done.upkeep == "no space"
    runs.started[1].ends(-9)  # by whoever looks after memory
    assert [runs.after(0), runs.after(AGAIN_S)] == [2, 3]
    assert runs.housekeeping.done.upkeep == "its process ended (exit code -9)"
    runs.started[2].ends(0, Decoded())
    runs.after(0)
    assert runs.housekeeping.done.upkeep == ""


def test_roll_ups_are_looked_through_once_a_day(runs: Runs) -> None:
    for _ in range(50):
        runs.after(EVERY_S)
        runs.started[-1].ends(0, Decoded(rollups_rebuilt=1))
        runs.after(0)
    assert [number for number, mending in enumerate(runs.mending) if mending] == [0, 48]
    assert runs.housekeeping.done.rollups_rebuilt == 50


def test_the_end_waits_for_no_run(runs: Runs) -> None:
    runs.housekeeping.end()
    runs.after(FIRST_S)
    runs.housekeeping.end()
    assert runs.started[0].killed
