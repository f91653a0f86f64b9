"""Runs the fuzzer: `python -m tests.fuzz --seconds 60`. Needs atheris (in the extra `test` on Linux).

Inputs that break a promise are written to the folder --found and end the run with exit code 1; they then become
files of tests/fuzz/found, which every test run reads.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from pathlib import Path

import atheris

with atheris.instrument_imports(include=["flowdiag.collector"]):
    from tests.fuzz.target import read_twice

from tests.fuzz.mending import mend
from tests.fuzz.seeds import containers, seeds

FOLDERS = [Path(__file__).parent / name for name in ("corpus", "found")]
# Octets of an input: room for a template, options and some data sets; what is wrong with long ones is seldom length.
LONGEST = 4096
# Seconds for one input, far beyond any honest one even on a busy machine, and MiB for the whole process (the bound of
# the collector, 512, and three times as much for the fuzzer's own tables, which grow all along).
SLOWEST, MEMORY = 60, 2048


def _mutate(octets: bytes, most: int, seed: int) -> bytes:
    if seed % 3 == 0:
        return bytes(atheris.Mutate(octets, most))
    if seed % 3 == 1:
        return mend(octets, seed)[:most]
    return mend(bytes(atheris.Mutate(octets, most)), seed)[:most]


def main() -> None:
    parser = argparse.ArgumentParser(description="Fuzzes the readers and the decoder.")
    parser.add_argument("--seconds", type=int, default=60, help="how long (default 60)")
    parser.add_argument(
        "--corpus", type=Path, help="a folder that keeps what is learned (default: none is kept)"
    )
    parser.add_argument("--found", type=Path, default=Path("."), help="where inputs that break something go")
    parser.add_argument(
        "--seed", type=int, default=0, help="the same seed tries the same inputs (default: any)"
    )
    parser.add_argument(
        "--only", choices=("readers",), help="start from containers and keep no lengths true: for the readers"
    )
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        learned = given.corpus or Path(scratch)
        learned.mkdir(parents=True, exist_ok=True)
        given.found.mkdir(parents=True, exist_ok=True)
        for name, octets in (containers() if given.only == "readers" else seeds()).items():
            (learned / f"seed-{name}").write_bytes(octets)
        corpora = [str(folder) for folder in FOLDERS if folder.is_dir() and given.only != "readers"]
        options = [
            f"-max_total_time={given.seconds}",
            f"-max_len={LONGEST}",
            f"-timeout={SLOWEST}",
            f"-rss_limit_mb={MEMORY}",
            f"-artifact_prefix={given.found}/",
            f"-seed={given.seed}",
            "-print_final_stats=1",
        ]
        mutator = {} if given.only == "readers" else {"custom_mutator": _mutate}
        atheris.Setup([sys.argv[0], *options, str(learned), *corpora], read_twice, **mutator)
        atheris.Fuzz()


main()
