"""python -m tests.scenarios [--held-out] [--only NAME] [--jobs N] [--keep FOLDER] [--numbers 0,1] [--rolled-up]
python -m tests.scenarios --calibration [--draws 3000] [--only NAME] [--jobs N]
"""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path

from tests.scenarios.calibration import LEAST_DRAWS, bounds, calibrate
from tests.scenarios.calibration_page import PAGE, PICTURE, section, write, wrong_ones
from tests.scenarios.files import lay_out
from tests.scenarios.report import faults, summary
from tests.scenarios.runner import HELD_OUT, TUNING, jobs_of, scores
from tests.scenarios.stage import SITUATIONS, labelled


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.scenarios", description=__doc__)
    parser.add_argument("--held-out", action="store_true", help="the set that nothing was tuned on")
    parser.add_argument("--numbers", help="other draws, such as 7,8")
    parser.add_argument("--only", metavar="NAME", help="situations whose name (or name/number) contains this")
    parser.add_argument("--jobs", type=int, default=1, metavar="N")
    parser.add_argument("--keep", type=Path, metavar="FOLDER", help="write the files only")
    parser.add_argument("--calibration", action="store_true", help="confidence against the share right")
    parser.add_argument("--draws", type=int, default=LEAST_DRAWS, metavar="N", help="at least so many (3000)")
    parser.add_argument("--rolled-up", action="store_true", help="from a store, by its roll-ups")
    options = parser.parse_args()
    if options.calibration:
        return calibration(options.draws, options.jobs, options.only)
    numbers = HELD_OUT if options.held_out else TUNING
    if options.numbers:
        numbers = tuple(int(number) for number in options.numbers.split(","))
    jobs = jobs_of(numbers, options.only)
    if options.keep:
        return keep(jobs, options.keep)
    begin = time.perf_counter()
    done = list(scores(jobs, options.jobs, rolled_up=options.rolled_up))
    print(faults(done))
    print()
    print(summary(done))
    took = time.perf_counter() - begin
    print(f"\n{len(done)} situations, numbers {numbers}, in {took:.0f} s", file=sys.stderr)
    return 0 if all(not score.faults for score in done) else 1


def calibration(draws: int, processes: int, only: str | None) -> int:
    """Prints the tables; writes them into the documentation where all situations were drawn often enough."""
    names = [name for name in SITUATIONS if only is None or only in name]
    done, spoiled, took = calibrate(draws, processes, names)
    print(wrong_ones(done))
    print()
    print(section(done, spoiled))
    if only is None and draws >= LEAST_DRAWS:
        write(done, spoiled)
        print(f"\nwritten: {PAGE} and {PICTURE}", file=sys.stderr)
    print(f"\n{len(done)} draws in {took:.0f} s", file=sys.stderr)
    return 0 if all(bound.holds for bound in bounds(done)) else 1


def keep(jobs: list[tuple[str, int]], folder: Path) -> int:
    for name, number in jobs:
        case = labelled(name, number)
        place = folder / f"{name}-{number}"
        place.mkdir(parents=True, exist_ok=True)
        lay_out(case, place)
        lines = [f"verdict {' or '.join(case.verdicts)}"]
        lines += [f"window {case.window}", f"reported {case.reported}"]
        lines += [str(wanted) for wanted in case.wanted]
        lines += [f"forbidden {sorted(case.forbidden)}", f"allowed {sorted(case.allowed)}"]
        (place / "labels.txt").write_text("\n".join(lines) + "\n", encoding="utf-8")
        print(place)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
