"""A short run of the fuzzer in every test run: twenty seconds, or as many as FUZZ_SECONDS says (a minute in CI).

They are shared by several seeds, which run beside each other where there are workers for them. The seeds are fixed, so
that a change is not blamed for what another change broke; runs by hand try new inputs.
"""

from __future__ import annotations

import os
import platform
import subprocess
import sys
from pathlib import Path

import pytest

# Two thirds for the target that reads what the network sends, by a few seeds, because each run takes some seconds to start.
SECONDS = int(os.environ.get("FUZZ_SECONDS", "20"))
SEEDS = range(1, 3 + (SECONDS >= 60))
RUNS = [
    *(("exports", seed, -(-SECONDS * 2 // 3 // len(SEEDS))) for seed in SEEDS),
    *((target, 1, -(-SECONDS // 6)) for target in ("profile", "parquet")),
]


@pytest.mark.slow
@pytest.mark.parametrize(("target", "seed", "seconds"), RUNS)
@pytest.mark.skipif(
    (sys.platform, platform.machine()) != ("linux", "x86_64"),
    reason="atheris is there for Linux on x86-64 only",
)
def test_the_fuzzer_finds_nothing(tmp_path: Path, target: str, seed: int, seconds: int) -> None:
    command = [
        sys.executable,
        "-m",
        "tests.fuzz",
        "--target",
        target,
        "--seconds",
        str(seconds),
        "--seed",
        str(seed),
        "--found",
        str(tmp_path),
    ]
    run = subprocess.run(command, cwd=Path(__file__).parents[2], capture_output=True, text=True, check=False)
    found = [path.read_bytes().hex() for path in tmp_path.iterdir()]
    assert run.returncode == 0, f"{run.stderr[-3000:]}\n{found}"
    assert "Done" in run.stderr
