"""Whether confidence is what it says: the share of right verdicts by code and confidence, over thousands of draws.

Draws are spread evenly over all situations; those of SLOW get every fourth. Their numbers begin at FIRST_NUMBER, and so
have no draw in common with those that thresholds were tuned on or that are held out (runner.py).
"""

from __future__ import annotations

import multiprocessing
import time
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Final

from tests.scenarios.judge import Score
from tests.scenarios.labels import Another
from tests.scenarios.runner import score
from tests.scenarios.stage import SITUATIONS
from tests.scenarios.wilson import wilson

FIRST_NUMBER: Final = 1000
LEAST_DRAWS: Final = 3000
# Situations of days, each of which takes as long as ten others.
SLOW: Final = frozenset({"nine-days-and-one-bad-afternoon"})
SLOW_EVERY: Final = 4
LEVELS: Final = ("high", "medium", "low")
ALL_CLEAR: Final = "not-the-link"

HIGH_RIGHT, MEDIUM_RIGHT = 0.995, 0.90
FALSE_CLEAR_MOST: Final = 0.003
HIGH_GIVEN: Final = 0.85

Job = tuple[str, int]


@dataclass(frozen=True)
class Draw:
    """What came of one draw. right: one of the allowed verdicts, whose sentence claims nothing untrue."""

    name: str
    code: str
    confidence: str
    right: bool
    wanted: tuple[str, ...] = ()
    claims: tuple[str, ...] = ()
    cause_on_link: bool = False
    complete: bool = False
    overclaimed: bool = False
    healthy: bool = False
    alarms: tuple[str, ...] = ()


@dataclass(frozen=True)
class Row:
    """One line of the table. code "all": every verdict of that confidence."""

    code: str
    confidence: str
    draws: int
    right: int

    @property
    def share(self) -> float:
        return self.right / self.draws if self.draws else 0.0

    @property
    def interval(self) -> tuple[float, float]:
        return wilson(self.right, self.draws)


@dataclass(frozen=True)
class Bound:
    """A count of so many, and whether that is within its bound."""

    says: str
    hits: int
    of: int
    holds: bool


def jobs_for(draws: int, names: Sequence[str] | None = None) -> list[Job]:
    """At least so many draws, spread evenly over the situations."""
    names = sorted(SITUATIONS if names is None else names)
    jobs: list[Job] = []
    turn = 0
    while len(jobs) < draws:
        jobs += [(name, FIRST_NUMBER + turn) for name in names if name not in SLOW or turn % SLOW_EVERY == 0]
        turn += 1
    return jobs


def draw(job: Job) -> Draw | None:
    """None where chance made another situation of it each time."""
    try:
        return drawn(score(job))
    except Another:
        return None


def drawn(result: Score) -> Draw:
    return Draw(
        name=result.name,
        code=result.verdict,
        confidence=result.confidence or "none",
        right=result.verdict_right and not result.claims,
        wanted=result.verdict_wanted,
        claims=tuple(result.claims),
        cause_on_link=result.cause_on_link,
        complete=result.complete,
        overclaimed=result.overclaimed,
        healthy=result.healthy,
        alarms=tuple(result.alarms),
    )


def draws_of(jobs: list[Job], processes: int = 1) -> Iterator[Draw | None]:
    if processes <= 1:
        yield from map(draw, jobs)
        return
    with multiprocessing.Pool(processes) as pool:
        yield from pool.imap(draw, jobs)


def table(draws: Iterable[Draw]) -> list[Row]:
    """All verdicts by confidence first, then each code's own, the surest first."""
    counts: dict[tuple[str, str], list[int]] = {}
    for one in draws:
        for code in ("all", one.code):
            cell = counts.setdefault((code, one.confidence), [0, 0])
            cell[0] += 1
            cell[1] += one.right
    order = (*LEVELS, "none")
    keys = sorted(counts, key=lambda key: (key[0] != "all", key[0], order.index(key[1])))
    return [Row(code, confidence, *counts[code, confidence]) for code, confidence in keys]


def bounds(draws: Sequence[Draw]) -> list[Bound]:
    found = []
    for level, least in (("high", HIGH_RIGHT), ("medium", MEDIUM_RIGHT)):
        mine = [one for one in draws if one.confidence == level]
        right = sum(one.right for one in mine)
        found.append(
            Bound(f"{level}: right in at least {least:.1%}", right, len(mine), right >= least * len(mine))
        )
    on_link = [one for one in draws if one.cause_on_link]
    clear = sum(one.code == ALL_CLEAR for one in on_link)
    found.append(
        Bound(
            f"all-clear though the cause is on the link: at most {FALSE_CLEAR_MOST:.1%}",
            clear,
            len(on_link),
            clear <= FALSE_CLEAR_MOST * len(on_link),
        )
    )
    healthy = [one for one in draws if one.healthy]
    alarmed = sum(bool(one.alarms) for one in healthy)
    found.append(Bound("warning or worse where nothing is wrong: none", alarmed, len(healthy), alarmed == 0))
    whole = [one for one in draws if one.complete]
    high = sum(one.confidence == "high" for one in whole)
    found.append(
        Bound(
            f"high where the evidence is complete: at least {HIGH_GIVEN:.0%}",
            high,
            len(whole),
            high >= HIGH_GIVEN * len(whole),
        )
    )
    over = sum(one.overclaimed for one in draws)
    found.append(Bound("high where the evidence forbids it: none", over, len(draws), over == 0))
    return found


def calibrate(
    draws: int, processes: int, names: Sequence[str] | None = None
) -> tuple[list[Draw], int, float]:
    """The draws, how many chance spoiled, and the seconds it took."""
    begin = time.perf_counter()
    every = list(draws_of(jobs_for(draws, names), processes))
    kept = [one for one in every if one is not None]
    return kept, len(every) - len(kept), time.perf_counter() - begin
