"""Runs the fuzzer: `python -m tests.fuzz --seconds 60`. Needs atheris (in the extra `test` on Linux).

Inputs that break a promise are written to the folder --found and end the run with exit code 1; they then become
files of tests/fuzz/found, which every test run reads.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

import atheris

with atheris.instrument_imports(include=["flowdiag.collector", "flowdiag.site"]):
    from tests.fuzz import profiles, tables
    from tests.fuzz.target import read_twice

from tests.fuzz.mending import mend
from tests.fuzz.seeds import containers, seeds

FOLDERS = [Path(__file__).parent / name for name in ("corpus", "found")]
# Octets of an input: room for a template, options and some data sets; what is wrong with long ones is seldom length.
LONGEST = 4096
LONGEST_TABLE = 1 << 15  # Parquet needs some kilobytes to say that it has 19 columns
# Seconds for one input, far beyond any honest one even on a busy machine, and MiB for the whole process (the bound of
# the collector, 512, and three times as much for the fuzzer's own tables, which grow all along).
SLOWEST, MEMORY = 60, 2048


def _mutate(octets: bytes, most: int, seed: int) -> bytes:
    if seed % 3 == 0:
        return bytes(atheris.Mutate(octets, most))
    if seed % 3 == 1:
        return mend(octets, seed)[:most]
    return mend(bytes(atheris.Mutate(octets, most)), seed)[:most]


def _target(
    target: str, only: str | None
) -> tuple[Callable[[bytes], None], dict[str, bytes], dict[str, Callable[[bytes, int, int], bytes]]]:
    """What reads an input, the inputs to start from, and how they are changed, as atheris takes it."""
    if target == "profile":
        return profiles.read_profile, profiles.seeds(), {}
    if target == "parquet":
        return tables.read_table, tables.seeds(), {"custom_mutator": tables.mutate}
    if only == "readers":
        return read_twice, containers(), {}
    return read_twice, seeds(), {"custom_mutator": _mutate}


def main() -> None:
    parser = argparse.ArgumentParser(
        description="Fuzzes the readers and the decoder, the site profile, or the reader of Parquet."
    )
    parser.add_argument("--seconds", type=int, default=60, help="how long (default 60)")
    parser.add_argument(
        "--corpus", type=Path, help="a folder that keeps what is learned (default: none is kept)"
    )
    parser.add_argument("--found", type=Path, default=Path("."), help="where inputs that break something go")
    parser.add_argument(
        "--seed", type=int, default=0, help="the same seed tries the same inputs (default: any)"
    )
    parser.add_argument(
        "--target",
        choices=("exports", "profile", "parquet"),
        default="exports",
        help="what is read (default: exports)",
    )
    parser.add_argument(
        "--only", choices=("readers",), help="start from containers and keep no lengths true: for the readers"
    )
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        learned = given.corpus or Path(scratch)
        learned.mkdir(parents=True, exist_ok=True)
        given.found.mkdir(parents=True, exist_ok=True)
        read, start, mutator = _target(given.target, given.only)
        for name, octets in start.items():
            (learned / f"seed-{name}").write_bytes(octets)
        own = given.target == "exports" and given.only != "readers"
        corpora = [str(folder) for folder in FOLDERS if folder.is_dir() and own]
        longest = LONGEST_TABLE if given.target == "parquet" else LONGEST
        options = [
            f"-max_total_time={given.seconds}",
            f"-max_len={longest}",
            f"-timeout={SLOWEST}",
            f"-rss_limit_mb={MEMORY}",
            f"-artifact_prefix={given.found}/",
            f"-seed={given.seed}",
            "-print_final_stats=1",
        ]
        atheris.Setup([sys.argv[0], *options, str(learned), *corpora], read, **mutator)
        atheris.Fuzz()


main()
