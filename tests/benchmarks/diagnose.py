"""What a diagnosis costs beyond reading the export: `python -m tests.benchmarks.diagnose`.

Whole processes, start of Python included: `flowdiag diagnose` on an IPFIX file against `flowdiag.read_export` of it.
"""

from __future__ import annotations

import argparse
import tempfile
from pathlib import Path

from tests.benchmarks import decode_inputs as inputs
from tests.benchmarks.measuring import processes_in_turns, verdict

READ = """
import sys
import flowdiag
print(flowdiag.read_export(sys.argv[1]).num_rows)
"""
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
    ratio = diagnosed.seconds / read.seconds
    print(f"read_export  {read.seconds:5.2f} s  {read.mebioctets:4.0f} MiB")
    print(f"diagnose     {diagnosed.seconds:5.2f} s  {diagnosed.mebioctets:4.0f} MiB")
    print(f"ratio        {ratio:5.2f} ({verdict(ratio, 3, at_most=True)})")
    print(
        f"memory       {diagnosed.mebioctets:4.0f} MiB ({verdict(diagnosed.mebioctets, 900, at_most=True)})"
    )


if __name__ == "__main__":
    main()
