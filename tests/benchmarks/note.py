"""What the note costs: `python -m tests.benchmarks.note`.

Whole processes, start of Python included, taking turns: each format of `flowdiag diagnose` on the demo's export against
`--format json`, which draws and lays out nothing, and `flowdiag --help`, which must load nothing heavy.
"""

from __future__ import annotations

import argparse
import tempfile
from pathlib import Path

from flowdiag.cli.demo import CAPTURE, PROFILE, write_demo
from tests.benchmarks.measuring import processes_in_turns, verdict

PROGRAM = "from flowdiag.cli.main import main; main()"
FORMATS = ("json", "text", "markdown", "html")
MOST_EXTRA_S = 1.5
MOST_HELP_S = 0.35


def main() -> None:
    parser = argparse.ArgumentParser(description="Measures the formats of the note and the help.")
    parser.add_argument("--repeat", type=int, default=5, help="rounds whose median counts (default 5)")
    repeat = parser.parse_args().repeat
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        write_demo(folder)
        diagnose = ("diagnose", str(folder / CAPTURE), "--site", str(folder / PROFILE))
        chart = (*diagnose, "--format", "json", "--chart", str(folder / "chart.png"))
        works = [*((*diagnose, "--format", form) for form in FORMATS), chart, ("--help",), ("--version",)]
        json_s, *others, chart_s, help_s, version_s = (
            used.seconds for used in processes_in_turns(repeat, *((PROGRAM, *work) for work in works))
        )
    print(f"diagnose --format json: {json_s:.2f} s")
    for form, seconds in zip(FORMATS[1:], others, strict=True):
        print(f"  {form}: {seconds - json_s:+.2f} s, {seconds / json_s:.2f} times")
    print(f"  json and a PNG chart: {chart_s - json_s:+.2f} s, {chart_s / json_s:.2f} times")
    print(f"html over json, seconds: {verdict(others[-1] - json_s, MOST_EXTRA_S, at_most=True)}")
    print(
        f"--help: {help_s:.3f} s ({verdict(help_s, MOST_HELP_S, at_most=True)}), --version: {version_s:.3f} s"
    )


if __name__ == "__main__":
    main()
