"""What the watch costs: `python -m tests.benchmarks.watch [--make FOLDER --sites N]`."""

from __future__ import annotations

import argparse
from datetime import datetime
from pathlib import Path

from tests.benchmarks import live_store


def main() -> None:
    parser = argparse.ArgumentParser(description="Measures the watch.")
    parser.add_argument("--make", type=Path, metavar="FOLDER", help="only make a store and profiles there")
    parser.add_argument("--sites", type=int, default=1000, help="how many (default 1,000)")
    parser.add_argument(
        "--now", type=datetime.fromisoformat, default=live_store.NOW, help="when its records end, with offset"
    )
    given = parser.parse_args()
    if given.make:
        made = live_store.make(given.make, given.sites, given.now)
        print(f"{made.sites} sites in {made.folder}, now_ms {made.now_ms}")


if __name__ == "__main__":
    main()
