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

SEEDS = (1, 2, 3, 4)
SECONDS = int(os.environ.get("FUZZ_SECONDS", "20"))


@pytest.mark.slow
@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.skipif(
    (sys.platform, platform.machine()) != ("linux", "x86_64"),
    reason="atheris is there for Linux on x86-64 only",
)
def test_the_fuzzer_finds_nothing(tmp_path: Path, seed: int) -> None:
    command = [
        sys.executable,
        "-m",
        "tests.fuzz",
        "--seconds",
        str(-(-SECONDS // len(SEEDS))),
        "--seed",
        str(seed),
        "--found",
        str(tmp_path),
    ]
    run = subprocess.run(command, cwd=Path(__file__).parents[2], capture_output=True, text=True, check=False)
    found = [path.read_bytes().hex() for path in tmp_path.iterdir()]
    assert run.returncode == 0, f"{run.stderr[-3000:]}\n{found}"
    assert "Done" in run.stderr
