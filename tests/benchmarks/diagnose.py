"""What a diagnosis costs beyond reading the export: `python -m tests.benchmarks.diagnose`.

Whole processes, start of Python included: `flowdiag diagnose` on an IPFIX file against `flowdiag.read_export` of it; and,
less START_S for the start, against the bare floor of decoding the same octets on one core (decode_floor.py).
"""

from __future__ import annotations

import argparse
import statistics
import subprocess
import sys
import tempfile
from pathlib import Path

from tests.benchmarks import decode_inputs as inputs
from tests.benchmarks.measuring import processes_in_turns, verdict

READ = """
import sys
import flowdiag
print(flowdiag.read_export(sys.argv[1]).num_rows)
"""
FLOOR = """
import os
import sys
import time
from pathlib import Path
os.sched_setaffinity(0, {min(os.sched_getaffinity(0))})
from tests.benchmarks.decode_floor import floor
floor(Path(sys.argv[1]))
times = []
for _ in range(3):
    begin = time.perf_counter()
    floor(Path(sys.argv[1]))
    times.append(time.perf_counter() - begin)
print(sorted(times)[1])
"""
# Of a whole process: Python, the program's modules and Arrow.
START_S = 0.5
AGAINST_FLOOR = 2.5
MOST_MEBIOCTETS = 600
DIAGNOSE = """
import sys
from flowdiag.cli.main import main
sys.argv.insert(1, "diagnose")
main()
"""
# The site of flowdiag.scenario.bulk: one link, ifIndex 2.
PROFILE = """
[site]
name = "Bulk site"
timezone = "UTC"
lan = ["10.0.0.0/16"]

[[link]]
name = "fibre"
role = "primary"
interfaces = [2]
down_mbps = 500
up_mbps = 100
"""


def _floor(export: str) -> float:
    """Seconds of the bare floor, in a process of its own on one core."""
    done = subprocess.run([sys.executable, "-c", FLOOR, export], check=True, capture_output=True, text=True)
    return float(done.stdout)


def main() -> None:
    parser = argparse.ArgumentParser(description="Measures a diagnosis.")
    parser.add_argument(
        "--records", type=int, default=2_000_000, help="records of the export (default 2 million)"
    )
    parser.add_argument("--repeat", type=int, default=5, help="rounds whose median counts (default 5)")
    parser.add_argument(
        "--folder", type=Path, help="where the export is kept for another run (default: nowhere)"
    )
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        folder = given.folder or Path(scratch)
        folder.mkdir(parents=True, exist_ok=True)
        export = str(inputs.fixed_ipfix(folder, given.records))
        profile = folder / "site.toml"
        profile.write_text(PROFILE)
        read, diagnosed = processes_in_turns(
            given.repeat, (READ, export), (DIAGNOSE, export, "--site", str(profile), "--quiet")
        )
        bare = statistics.median(_floor(export) for _ in range(given.repeat))
    ratio = diagnosed.seconds / read.seconds
    print(f"read_export  {read.seconds:5.2f} s  {read.mebioctets:4.0f} MiB")
    print(f"diagnose     {diagnosed.seconds:5.2f} s  {diagnosed.mebioctets:4.0f} MiB")
    print(f"ratio        {ratio:5.2f} ({verdict(ratio, 3, at_most=True)})")
    over = (diagnosed.seconds - START_S) / bare
    print(f"floor        {bare:5.2f} s, one core")
    print(
        f"over it      {over:5.2f} ({verdict(over, AGAINST_FLOOR, at_most=True)}), less {START_S} s of start"
    )
    print(
        f"memory       {diagnosed.mebioctets:4.0f} MiB ({verdict(diagnosed.mebioctets, MOST_MEBIOCTETS, at_most=True)})"
    )


if __name__ == "__main__":
    main()
