"""What a diagnosis of a day of 3 million records costs: `python -m tests.benchmarks.diagnose_day`.

Whole processes, start of Python included: `flowdiag diagnose` on a day's IPFIX file against `flowdiag.read_export` of
it. And the diagnoser's own share, from the finished case to the diagnosis, within one process: of an ordinary day, and
of one on which much is wrong at once, since findings cost most where there is something to find.
"""

from __future__ import annotations

import argparse
import tempfile
from pathlib import Path
from statistics import median
from typing import Final

from flowdiag.diagnoser.diagnose import diagnose
from flowdiag.pipeline import build_case
from flowdiag.scenario.bulk import write_bulk
from flowdiag.site.reading import read_profile
from tests.benchmarks.diagnose import DIAGNOSE, PROFILE, READ
from tests.benchmarks.measuring import processes_in_turns, seconds_of, verdict

RECORDS: Final = 3_000_000
# The first is the site of flowdiag.scenario.bulk with room to spare. On the second the same traffic meets a small
# plan and a backup whose keepalive is never seen: full all day, so that every finding about load has to attribute it.
EASY: Final = PROFILE
HARD: Final = (
    EASY.replace("down_mbps = 500", "down_mbps = 0.9").replace("up_mbps = 100", "up_mbps = 0.2")
    + """
[[link]]
name = "lte"
role = "backup"
interfaces = [3]
down_mbps = 30
up_mbps = 5

  [[link.keepalive]]
  destination = "198.51.100.1"
  protocol = "icmp"
  interval_s = 10
"""
)


def main() -> None:
    parser = argparse.ArgumentParser(description="Measures the diagnosis of a day.")
    parser.add_argument("--records", type=int, default=RECORDS, help="records of the day (default 3 million)")
    parser.add_argument("--repeat", type=int, default=3, help="rounds whose median counts (default 3)")
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch)
        export = write_bulk(folder / "day.ipfix", given.records)
        profiles = {}
        for name, text in (("easy", EASY), ("hard", HARD)):
            profiles[name] = folder / f"{name}.toml"
            profiles[name].write_text(text)
        read, easy, hard = processes_in_turns(
            given.repeat,
            (READ, str(export)),
            *((DIAGNOSE, str(export), "--site", str(path), "--quiet") for path in profiles.values()),
        )
        own = {name: own_share(export, path, given.repeat) for name, path in profiles.items()}
    print(f"read_export     {read.seconds:5.2f} s  {read.mebioctets:4.0f} MiB")
    for name, whole in (("easy", easy), ("hard", hard)):
        ratio = whole.seconds / read.seconds
        print(f"diagnose, {name}  {whole.seconds:5.2f} s  {whole.mebioctets:4.0f} MiB")
        print(f"  ratio         {ratio:5.2f} ({verdict(ratio, 2.5, at_most=True)})")
        print(f"  memory        {whole.mebioctets:5.0f} MiB ({verdict(whole.mebioctets, 900, at_most=True)})")
        print(f"  own share     {own[name]:5.2f} s ({verdict(own[name], 2, at_most=True)})")


def own_share(export: Path, profile: Path, repeat: int) -> float:
    """Median seconds of diagnose() alone; each time on a new case, since a case remembers what was worked out."""
    site = read_profile(profile)
    times = []
    for _ in range(repeat):
        case = build_case([export], site)
        times.append(seconds_of(lambda case=case: diagnose(case)))  # type: ignore[misc]
    return median(times)


if __name__ == "__main__":
    main()
