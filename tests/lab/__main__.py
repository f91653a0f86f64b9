"""python -m tests.lab [--only NAME] [--chance N [--first NUMBER]] [--jobs N] [--keep FOLDER] [--replay FOLDER]"""

from __future__ import annotations

import argparse
import sys
import tempfile
from collections.abc import Iterable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

from tests.collector.live.apart import needs, told_apart
from tests.collector.live.open_vswitch import NEEDED
from tests.lab.chance import run_by_chance
from tests.lab.doing import Run
from tests.lab.expectations import expected_of, judged
from tests.lab.notes import told_of
from tests.lab.recording import TRUTH
from tests.lab.runs import RUNS
from tests.lab.truth import read_truth

# Beside its own time a run has to start, to be told of to its end, and to be judged.
PATIENCE_S = 120


@dataclass(frozen=True)
class Row:
    run: str
    happened: str
    verdict: str
    confidence: str
    right: bool
    faults: tuple[str, ...]


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.lab", description=__doc__)
    parser.add_argument("--only", metavar="NAME", default="", help="runs whose name contains this")
    parser.add_argument(
        "--chance", type=int, metavar="N", help="so many runs made up by chance instead of the named ones"
    )
    parser.add_argument(
        "--first", type=int, default=0, metavar="NUMBER", help="the first of them (default 0)"
    )
    parser.add_argument(
        "--jobs", type=int, default=1, metavar="N", help="runs at a time, each with its own network"
    )
    parser.add_argument(
        "--keep", type=Path, metavar="FOLDER", help="keep exports, profiles and what was measured here"
    )
    parser.add_argument(
        "--replay", type=Path, metavar="FOLDER", help="judge what was kept, without a network"
    )
    options = parser.parse_args()
    made_up = range(options.first, options.first + (options.chance or 0))
    runs = [run_by_chance(number) for number in made_up] or [run for run in RUNS if options.only in run.name]
    if options.replay:
        rows = [
            judge(options.replay / run.name) for run in runs if (options.replay / run.name / TRUTH).exists()
        ]
    elif options.keep:
        rows = list(played(runs, options.keep, options.jobs))
    else:
        with tempfile.TemporaryDirectory() as folder:
            rows = list(played(runs, Path(folder), options.jobs))
    print(table(rows))
    return 0 if rows and not any(row.faults for row in rows) else 1


def played(runs: Iterable[Run], folder: Path, jobs: int) -> Iterator[Row]:
    """Every run recorded and judged, in order."""

    def one(run: Run) -> Row:
        place = folder / run.name
        record(run, place)
        print(f"{run.name} recorded", file=sys.stderr)
        return judge(place)

    with ThreadPoolExecutor(jobs) as pool:
        yield from pool.map(one, runs)


def record(run: Run, place: Path) -> None:
    """place: an absent folder, or one that was recorded before."""
    needs(*NEEDED)
    place.mkdir(parents=True, exist_ok=True)
    told_apart("lab.recording", run.name, place, patience_s=run.seconds + PATIENCE_S)


def judge(place: Path) -> Row:
    truth, told = read_truth(place / TRUTH), told_of(place)
    right, faults = judged(told, truth)
    happened = expected_of(truth.run.name).happened(truth)
    return Row(truth.run.name, happened, told.verdict, told.confidence, right, tuple(faults))


def table(rows: Sequence[Row]) -> str:
    """The runs, one a line, each followed by what is wrong with its note."""
    lines = [f"{'run':23} {'what happened':52} {'verdict':14} {'confidence':10} right"]
    for row in rows:
        mark = "right" if row.right and not row.faults else "faults" if row.right else "WRONG"
        lines.append(f"{row.run:23} {row.happened:52} {row.verdict:14} {row.confidence:10} {mark}")
        lines += [f"    {fault}" for fault in row.faults]
    right, clean = sum(row.right for row in rows), sum(not row.faults for row in rows)
    return "\n".join((*lines, f"{len(rows)} runs, {right} verdicts right, {clean} notes without a fault"))


if __name__ == "__main__":
    raise SystemExit(main())
