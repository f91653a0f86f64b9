"""What the flow store costs: `python -m tests.benchmarks.store [adding asking one growth] [--folder FOLDER]`.

adding: against the bare floor of the same octets (decode_floor.py, and one zstd Parquet file of its columns), both in one
process on one core; two files on two cores against both on one; and with roll-ups against without them. asking: an hour and
all days of one of the sites in a store of many. one: all days of a single site with as many records as all of those. growth:
all days of one site against their records. Whole processes, start of Python included. --kept FOLDER: a store that an earlier
run wrote, or where it is to stay.
"""

from __future__ import annotations

import argparse
import tempfile
from datetime import UTC, datetime
from pathlib import Path
from statistics import median
from typing import Final

import numpy as np

from flowdiag.rollup import ROLLER
from flowdiag.scenario.bulk import write_bulk
from flowdiag.scenario.stored_days import Written, write_portfolio
from tests.benchmarks.measuring import Usage, run, verdict

FIRST: Final = datetime(2026, 2, 2, tzinfo=UTC)
SITES: Final = 20
WHAT: Final = ("adding", "asking", "one", "growth")
# Seconds and MiB of a question about all days: of one of SITES, and of a single site.
MONTH: Final = {
    ("usage",): ((0.8, 300), (2.0, 600)),
    ("top", "talkers"): ((0.8, 300), (2.0, 600)),
    ("top", "conversations"): ((0.8, 300), (2.0, 600)),
    ("diagnose",): ((3.0, 500), (5.0, 600)),
}
GROWN: Final = (1_000_000, 4_000_000, 16_000_000)
MOST_MORE: Final = 1.25
MOST_OCTETS: Final = 0.12
MOST_EXPONENT: Final = 0.3
# A process that must do with one core, so that work of its threads counts too.
_ONE_CORE: Final = "import os; os.sched_setaffinity(0, {min(os.sched_getaffinity(0))})\n"
_FLOWDIAG: Final = "from flowdiag.cli.main import main; main()"
_WITHOUT: Final = "import flowdiag.rollup; flowdiag.rollup.ROLLER = None\n"
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
    parser.add_argument("--kept", type=Path, help="a store to ask that stays (asking, one)")
    parser.add_argument("what", nargs="*", default=[*WHAT], help=", ".join(WHAT))
    given = parser.parse_args()
    for what in given.what:
        with tempfile.TemporaryDirectory(dir=given.folder) as name:
            folder = given.kept or Path(name)
            if what == "adding":
                adding(Path(name), given.records, given.repeat)
            elif what == "growth":
                growth(Path(name), given.days, given.repeat)
            else:
                sites = SITES if what == "asking" else 1
                asking(folder, sites, given.stored, given.days, given.repeat)


def adding(folder: Path, records: int, repeat: int) -> None:
    exports = [str(write_bulk(folder / f"{seed}.ipfix", records, seed=seed)) for seed in (1, 2)]
    rounds: list[tuple[float, ...]] = []
    for number in range(repeat + 1):  # the first does not count
        store = str(folder / f"store-{number}-")
        rounds.append(
            (
                run(_ONE_CORE + _FLOOR, exports[0], str(folder / "floor.parquet")).seconds,
                run(_ONE_CORE + _FLOWDIAG, *_ingest(store + "a", 1, exports[:1])).seconds,
                run(_ONE_CORE + _FLOWDIAG, *_ingest(store + "b", 1, exports)).seconds,
                run(_FLOWDIAG, *_ingest(store + "c", 2, exports)).seconds,
                run(_FLOWDIAG, *_ingest(store + "d", 1, exports[:1])).seconds,
                run(_WITHOUT + _FLOWDIAG, *_ingest(store + "e", 1, exports[:1])).seconds,
            )
        )
    bare, one, both, parallel, rolled, plain = (median(times) for times in zip(*rounds[1:], strict=True))
    print(f"ingest, one core   {records / one / 1e6:5.2f} M/s, floor {records / bare / 1e6:5.2f} M/s")
    print(f"  ratio            {bare / one:5.2f} ({verdict(bare / one, 0.5)})")
    more = rolled / plain
    print(f"with roll-ups against without: {more:.2f} times ({verdict(more, MOST_MORE, at_most=True)})")
    print(f"two files, two cores against one: {both / parallel:.2f} times ({verdict(both / parallel, 1.6)})")


def _ingest(store: str, jobs: int, exports: list[str]) -> list[str]:
    return ["ingest", *exports, "--store", store, "--jobs", str(jobs), "--quiet"]


def asking(folder: Path, sites: int, stored: int, days: int, repeat: int) -> None:
    if (folder / "flows").exists():
        written = Written(folder / "flows", folder / "sites", folder / "truth.json", stored)
    else:
        each = stored // (sites * days * 24)
        written = write_portfolio(folder, sites, FIRST, days, records_an_hour=each, roller=ROLLER)
    octets = sum(file.stat().st_size for file in written.store.rglob("*.parquet"))
    rolled = sum(file.stat().st_size for file in written.store.rglob("*.rollup"))
    part = rolled / octets
    print(
        f"store: {written.records / 1e6:.0f} M records of {sites} sites, {days} days, {octets / 1e9:.1f} GB; "
        f"roll-ups {part:.1%} ({verdict(part, MOST_OCTETS, at_most=True)})"
    )
    day = f"{FIRST.replace(day=FIRST.day + days // 2):%Y-%m-%d}"
    for words in (["diagnose"], ["top", "talkers"], ["usage"]):
        _said(f"one hour, {' '.join(words)}", written, words, _hour(day), repeat, (2, 500))
    for asked, bounds in MONTH.items():
        _said(f"{days} days, {' '.join(asked)}", written, [*asked], [], repeat, bounds[sites == 1])


def _said(
    name: str, written: Written, words: list[str], span: list[str], repeat: int, most: tuple[float, float]
) -> float:
    """Prints what a question costs; gives the median of its seconds."""
    used = [_ask(written, words, span) for _ in range(repeat + 1)][1:]
    seconds, mebioctets = median(one.seconds for one in used), max(one.mebioctets for one in used)
    print(
        f"{name:<28} {seconds:5.2f} s ({verdict(seconds, most[0], at_most=True)})  "
        f"{mebioctets:4.0f} MiB ({verdict(mebioctets, most[1], at_most=True)})",
        flush=True,
    )
    return seconds


def growth(folder: Path, days: int, repeat: int) -> None:
    stores = [
        write_portfolio(
            folder / str(records), 1, FIRST, days, records_an_hour=records // (days * 24), roller=ROLLER
        )
        for records in GROWN
    ]
    for words in (["usage"], ["diagnose"]):
        times = [
            _said(f"{records / 1e6:.0f} M, {words[0]}", written, words, [], repeat, (3.0, 500))
            for records, written in zip(GROWN, stores, strict=True)
        ]
        exponent = float(np.polyfit(np.log(GROWN), np.log(times), 1)[0])
        print(
            f"  grows with records to the power of {exponent:.2f} ({verdict(exponent, MOST_EXPONENT, at_most=True)})"
        )


def _hour(day: str) -> list[str]:
    return ["--from", f"{day}T14:00", "--to", f"{day}T15:00"]


def _ask(written: Written, words: list[str], span: list[str]) -> Usage:
    sites = sorted(written.sites.iterdir())
    site = str(sites[len(sites) // 2])
    form = ["--format", "json"] if span else []
    return run(_FLOWDIAG, *words, str(written.store), "--site", site, *span, *form)


if __name__ == "__main__":
    main()
