"""Files made to hurt, in a small edition: each command ends soon, in little memory, with a result or one clear line.

The kinds of a module are shared by several tests, which run beside each other where there are workers for them.

`python -m tests.hostile` measures all of them in full, each command in a process of its own.
"""

from __future__ import annotations

import json
import subprocess
import sys

import pytest

from tests.hostile.making import kinds

# Of each small file, in one process for a module, above what the program holds anyway.
OCTETS = {
    "messages": 100_000,
    "captures": 100_000,
    "compressed": 40_000,
    "tables": 250_000,
    "profiles": 100_000,
}
MAX_MIB = 700
MAX_PROCESSOR_S = 10

# Which command reads each module's files: those that do most with them. Kinds that take long to make are left to the full
# measurement.
READ_BY = {
    "messages": "diagnose",
    "captures": "inspect",
    "compressed": "inspect",
    "tables": "diagnose",
    "profiles": "usage",
}


PARTS = 3


@pytest.mark.slow
@pytest.mark.parametrize("part", range(PARTS))
@pytest.mark.parametrize("module", READ_BY)
def test_files_made_to_hurt_do_not(module: str, part: int) -> None:
    command = [sys.executable, "-m", "tests.hostile.together", module, str(OCTETS[module]), f"{part}/{PARTS}"]
    run = subprocess.run([*command, READ_BY[module]], capture_output=True, text=True, check=False)
    assert run.returncode == 0, run.stderr[-2000:]
    told = [json.loads(line) for line in run.stdout.splitlines()]
    assert [one["kind"] for one in told] == kinds(module)[part::PARTS]
    for one in told:
        assert one["mib"] <= MAX_MIB, one
        assert one["processor_s"] <= MAX_PROCESSOR_S, one
        assert one["code"] in (0, 1), one
        assert "fault of the program" not in one["line"], one


@pytest.mark.parametrize("module", READ_BY)
def test_there_are_many_of_each_module(module: str) -> None:
    assert len(set(kinds(module))) >= 20
