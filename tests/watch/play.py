"""Plays sites for as long as one likes: `python -m tests.watch.play [--sites N --days D --after D --every MINUTES] [--draws N]`.

Healthy sites (healthy.py) are looked at every so many played minutes: whatever is told of them is false. Of each situation
(casts.py) so many draws are looked at each minute: events against what was played. A line for each, and the sums.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from pathlib import Path

import pyarrow as pa
from msgspec import Struct

from flowdiag.durations import DAY_MS, HOUR_MS, MINUTE_MS
from flowdiag.watch.event import Event
from tests.watch.casts import NOON, PLAYED, Cast, cast
from tests.watch.healthy import healthy
from tests.watch.watching import Judged, judge, watched

QUICK_FOLDER = "/dev/shm"


class Outcome(Struct, frozen=True):
    name: str
    looks: int
    seconds: float
    played_ms: int
    events: tuple[Event, ...]
    judged: Judged


def main() -> None:
    parser = argparse.ArgumentParser(
        description="Plays sites and holds what the watch tells against what was played."
    )
    parser.add_argument("--sites", type=int, default=0, help="healthy ones")
    parser.add_argument("--first", type=int, default=0, help="number of the first of them")
    parser.add_argument("--days", type=int, default=30, help="of each healthy one (default 30)")
    parser.add_argument("--after", type=int, default=0, help="days of them before the first look (default 0)")
    parser.add_argument("--every", type=int, default=10, help="minutes between looks at them (default 10)")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--draws", type=int, default=0, help="of each situation, looked at each minute")
    parser.add_argument("--only", nargs="*", default=list(PLAYED), help="of these situations")
    given = parser.parse_args()
    pa.set_cpu_count(1)
    done = []
    for outcome in _outcomes(given):
        print(_line(outcome), flush=True)
        done.append(outcome)
    wrong = sum(len(one.judged.wrong) for one in done)
    played_ms = sum(one.played_ms for one in done)
    looks = sum(one.looks for one in done)
    print(f"{played_ms / DAY_MS / 30.44:.2f} site-months, {looks} looks, {wrong} wrong")
    print(_errors([one.judged for one in done]))
    sys.exit(1 if wrong else 0)


def _outcomes(given: argparse.Namespace) -> Iterator[Outcome]:
    for number in range(given.first, given.first + given.sites):
        site = healthy(number, given.days, given.seed)
        yield play(site, site.from_ms + HOUR_MS + given.after * DAY_MS, given.every * MINUTE_MS)
    for name in given.only:
        for number in range(given.draws):
            yield play(cast(name, given.seed * 1000 + number), NOON - 10 * MINUTE_MS, MINUTE_MS)


def play(one: Cast, from_ms: int, every_ms: int) -> Outcome:
    """Looks at a site of its own, and judges what was told."""
    started = time.perf_counter()
    events: list[Event] = []
    looks = 0
    folder = QUICK_FOLDER if Path(QUICK_FOLDER).is_dir() else None
    with tempfile.TemporaryDirectory(prefix="flowdiag-", dir=folder) as name:
        for looked in watched(Path(name), [one], from_ms=from_ms, every_ms=every_ms):
            events += looked.events
            looks += 1
    took = time.perf_counter() - started
    return Outcome(one.name, looks, took, one.until_ms - from_ms, tuple(events), judge(one, events))


def _line(one: Outcome) -> str:
    told = f"{one.name:24} {one.looks:6} looks {one.seconds:6.0f} s {len(one.events):3} events"
    return "\n    ".join(
        (f"{told}, {len(one.judged.wrong)} wrong; {_errors([one.judged])}", *one.judged.wrong)
    )


def _errors(judged: Sequence[Judged]) -> str:
    """How far what was told is from what was played, in seconds, and how long after its begin it was told, in minutes."""
    right = [pair for one in judged for pair in one.right]
    if not right:
        return "nothing to be told"
    began = [abs(one.began_ms - truth.began_ms) / 1000 for truth, one in right]
    ended = [
        abs(one.ended_ms - truth.ended_ms) / 1000
        for truth, one in right
        if truth.ended_ms is not None and one.ended_ms is not None
    ]
    after = [(one.began_told_ms - truth.began_ms) / MINUTE_MS for truth, one in right]
    return (
        f"{len(right)} told, began within {max(began):.0f} s, ended within {max(ended, default=0):.0f} s, "
        f"told after {sorted(after)[len(after) // 2]:.0f} to {max(after):.0f} min"
    )


if __name__ == "__main__":
    main()
