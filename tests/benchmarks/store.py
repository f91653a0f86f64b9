"""What the flow store costs: `python -m tests.benchmarks.store [--records N] [--days 30] [--folder FOLDER]`.

Adding, against the bare floor of the same octets (decode_floor.py, and one zstd Parquet file of its columns), both in one
process on one core; two files on two cores against both on one. Asking: an hour of one of the sites in a store of many
days, whole processes, start of Python included.
"""

from __future__ import annotations

import argparse
import tempfile
from datetime import UTC, datetime
from pathlib import Path
from statistics import median
from typing import Final

from flowdiag.scenario.bulk import write_bulk
from flowdiag.scenario.stored_days import Written, write_portfolio
from tests.benchmarks.measuring import Usage, run, verdict

FIRST: Final = datetime(2026, 2, 2, tzinfo=UTC)
SITES: Final = 20
# A process that must do with one core, so that work of its threads counts too.
_ONE_CORE: Final = "import os; os.sched_setaffinity(0, {min(os.sched_getaffinity(0))})\n"
_FLOWDIAG: Final = "from flowdiag.cli.main import main; main()"
_FLOOR: Final = """
import sys
import pyarrow as pa
import pyarrow.parquet as pq
from tests.benchmarks.decode_floor import columns_of
pa.set_cpu_count(1)
pq.write_table(pa.table(columns_of(sys.argv[1])), sys.argv[2], compression="zstd")
"""


def main() -> None:
    parser = argparse.ArgumentParser(description="Measures the flow store.")
    parser.add_argument("--records", type=int, default=3_000_000, help="of an export (default 3 million)")
    parser.add_argument(
        "--stored", type=int, default=100_000_000, help="records in the store (default 100 million)"
    )
    parser.add_argument("--days", type=int, default=30, help="days in the store (default 30)")
    parser.add_argument("--repeat", type=int, default=5, help="rounds whose median counts (default 5)")
    parser.add_argument("--folder", type=Path, help="where the files are written (default: the usual place)")
    given = parser.parse_args()
    with tempfile.TemporaryDirectory(dir=given.folder) as name:
        adding(Path(name), given.records, given.repeat)
    with tempfile.TemporaryDirectory(dir=given.folder) as name:
        asking(Path(name), given.stored, given.days, given.repeat)


def adding(folder: Path, records: int, repeat: int) -> None:
    exports = [str(write_bulk(folder / f"{seed}.ipfix", records, seed=seed)) for seed in (1, 2)]
    rounds: list[tuple[float, float, float, float]] = []
    for number in range(repeat + 1):  # the first does not count
        store = str(folder / f"store-{number}-")
        rounds.append(
            (
                run(_ONE_CORE + _FLOOR, exports[0], str(folder / "floor.parquet")).seconds,
                run(_ONE_CORE + _FLOWDIAG, *_ingest(store + "a", 1, exports[:1])).seconds,
                run(_ONE_CORE + _FLOWDIAG, *_ingest(store + "b", 1, exports)).seconds,
                run(_FLOWDIAG, *_ingest(store + "c", 2, exports)).seconds,
            )
        )
    bare, one, both, parallel = (median(times) for times in zip(*rounds[1:], strict=True))
    print(f"ingest, one core   {records / one / 1e6:5.2f} M/s, floor {records / bare / 1e6:5.2f} M/s")
    print(f"  ratio            {bare / one:5.2f} ({verdict(bare / one, 0.5)})")
    print(f"two files, two cores against one: {both / parallel:.2f} times ({verdict(both / parallel, 1.6)})")


def _ingest(store: str, jobs: int, exports: list[str]) -> list[str]:
    return ["ingest", *exports, "--store", store, "--jobs", str(jobs), "--quiet"]


def asking(folder: Path, stored: int, days: int, repeat: int) -> None:
    written = write_portfolio(folder, SITES, FIRST, days, records_an_hour=stored // (SITES * days * 24))
    octets = sum(file.stat().st_size for file in written.store.rglob("*.parquet"))
    print(
        f"store: {written.records / 1e6:.0f} M records of {SITES} sites, {days} days, {octets / 1e9:.1f} GB"
    )
    day = f"{FIRST.replace(day=FIRST.day + days // 2):%Y-%m-%d}"
    for words in (["diagnose"], ["top", "talkers"], ["usage"]):
        used = [_hour(written, words, day) for _ in range(repeat + 1)][1:]
        seconds, mebioctets = median(one.seconds for one in used), max(one.mebioctets for one in used)
        print(
            f"one hour, {words[0]:<9} {seconds:5.2f} s ({verdict(seconds, 2, at_most=True)})  "
            f"{mebioctets:4.0f} MiB ({verdict(mebioctets, 500, at_most=True)})"
        )


def _hour(written: Written, words: list[str], day: str) -> Usage:
    site = str(sorted(written.sites.iterdir())[SITES // 2])
    span = ["--from", f"{day}T14:00", "--to", f"{day}T15:00"]
    return run(_FLOWDIAG, *words, str(written.store), "--site", site, *span, "--format", "json")


if __name__ == "__main__":
    main()
