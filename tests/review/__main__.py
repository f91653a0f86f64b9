"""Accuracy of the review on 200 invented sites over three months: `python -m tests.review` (some minutes)."""

from __future__ import annotations

import argparse
import os
import tempfile
from datetime import UTC, datetime
from pathlib import Path

from flowdiag.rollup import ROLLER
from flowdiag.scenario.stored_days import write_portfolio
from tests.review.accuracy import measured

FIRST = datetime(2026, 1, 1, tzinfo=UTC)
DAYS = 91  # to the end of March, and a day for zones behind UTC


def main() -> None:
    parser = argparse.ArgumentParser(description="Measures the advice of the review.")
    parser.add_argument("--sites", type=int, default=200)
    parser.add_argument("--records", type=int, default=96, help="records a site and hour (default 96)")
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        done = write_portfolio(
            Path(scratch), given.sites, FIRST, DAYS, records_an_hour=given.records, roller=ROLLER
        )
        found = measured(done, "2026-03", FIRST, DAYS, os.cpu_count() or 1)
    for (kind, advice), count in sorted(found.rows.items()):
        print(f"{kind:10} {advice:16} {count:4}")
    for line in found.wrong:
        print(line)
    print(
        f"upgrade or not: right for {found.upgrades} of {found.sites} ({found.upgrades / found.sites:.1%}; at least 97 %)"
    )
    print(f"upgrades of sites whose peak is one host's job: {found.runaways} (none)")
    print(f"plans that give room: {found.plans} of {found.upgraded}")
    print(f"the very advice: right for {found.right} of {found.sites} ({found.right / found.sites:.1%})")


if __name__ == "__main__":
    main()
