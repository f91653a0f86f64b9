"""A short run of the fuzzer in every test run: twenty seconds, or as many as FUZZ_SECONDS says (a minute in CI).

Its seed is fixed, so that a change is not blamed for what another change broke; runs by hand try new inputs.
"""

from __future__ import annotations

import os
import platform
import subprocess
import sys
from pathlib import Path

import pytest

# Seconds by target: most for the one that reads what the network sends.
SECONDS = {"exports": os.environ.get("FUZZ_SECONDS", "20"), "profile": "5", "parquet": "5"}


@pytest.mark.skipif(
    (sys.platform, platform.machine()) != ("linux", "x86_64"),
    reason="atheris is there for Linux on x86-64 only",
)
@pytest.mark.parametrize("target", SECONDS)
def test_the_fuzzer_finds_nothing(tmp_path: Path, target: str) -> None:
    command = [
        sys.executable,
        "-m",
        "tests.fuzz",
        "--target",
        target,
        "--seconds",
        SECONDS[target],
        "--seed",
        "1",
        "--found",
        str(tmp_path),
    ]
    run = subprocess.run(command, cwd=Path(__file__).parents[2], capture_output=True, text=True, check=False)
    found = [path.read_bytes().hex() for path in tmp_path.iterdir()]
    assert run.returncode == 0, f"{run.stderr[-3000:]}\n{found}"
    assert "Done" in run.stderr
