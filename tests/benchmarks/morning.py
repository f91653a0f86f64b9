"""What `flowdiag watch --report` costs by number of sites, at the moment at which the records of a portfolio end.

    python -m tests.benchmarks.morning [--sites 50,250] [--folder FOLDER]

The portfolio is that of tests/benchmarks/review.py with 26 days of records, so that most of a month counts against allowances.
Processor time of all processes is printed beside wall time: half of it is what two idle cores need.
"""

from __future__ import annotations

import argparse
import resource
import subprocess
import sys
import tempfile
import time
from datetime import timedelta
from pathlib import Path
from typing import Final

from flowdiag.rollup import ROLLER
from flowdiag.scenario.stored_days import write_portfolio
from tests.benchmarks.review import _WAITED_FOR, DRAWN, FIRST, copy

DAYS: Final = 26
NOW_MS: Final = round((FIRST + timedelta(days=DAYS)).timestamp() * 1000)
_MADE: Final = """
import sys
from flowdiag.watch.report.morning import morning_list
from flowdiag.watch.report.sites import read_sites
if __name__ == "__main__":
    made = morning_list(sys.argv[1] + "/flows", read_sites(sys.argv[1] + "/sites"), int(sys.argv[2]), jobs=2)
    print(len(made.listed), made.well)
"""


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sites", default="50,250")
    parser.add_argument("--folder", type=Path)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory(dir=options.folder) as name:
        folder = Path(name)
        write_portfolio(folder / "drawn", DRAWN, FIRST, DAYS, roller=ROLLER)
        costs = [_cost(folder, int(sites)) for sites in options.sites.split(",")]
    for sites, cpu_s, wall_s, said in costs:
        print(
            f"{sites} sites: {cpu_s:.0f} s of processor time, {wall_s:.0f} s; on the list, and well: {said}"
        )
    if len(costs) > 1:
        first, last = costs[0], costs[-1]
        print(f"a site more: {1000 * (last[1] - first[1]) / (last[0] - first[0]):.0f} ms of processor time")


def _cost(folder: Path, sites: int) -> tuple[int, float, float, str]:
    portfolio, script = folder / f"sites-{sites}", folder / "made.py"
    script.write_text(_MADE)
    copy(folder / "drawn", portfolio, sites, "flows")
    before, begun = _processor_s(), time.monotonic()
    words = [sys.executable, "-c", _WAITED_FOR, sys.executable, str(script), str(portfolio), str(NOW_MS)]
    done = subprocess.run(words, capture_output=True, text=True, check=True)
    return sites, _processor_s() - before, time.monotonic() - begun, done.stdout.strip()


def _processor_s() -> float:
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


if __name__ == "__main__":
    main()
