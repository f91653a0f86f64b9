"""Exports made to exhaust memory stay within half a gigabyte, each decoded in a process of its own.

Those that fill one thing only stay far below: there little would be lost for each message before it showed.
"""

from __future__ import annotations

import subprocess
import sys

import pytest

from tests.collector.hostile import STREAMS

MAX_MIB = {"everything": 512}
MAX_MIB_ALONE = 192

# The others take up to half a minute; what they fill is filled by `everything` too, or takes less than half of the bound.
QUICK = (
    "everything",
    "empty_messages",
    "short_messages",
    "samplers",
    "taught_elements",
    "clocks",
    "sessions",
)


@pytest.mark.slow
@pytest.mark.parametrize("name", QUICK)
def test_memory_stays_bounded(name: str) -> None:
    assert name in STREAMS
    run = subprocess.run(
        [sys.executable, "-m", "tests.collector.hostile", name], capture_output=True, text=True, check=True
    )
    assert 0 < int(run.stdout) <= MAX_MIB.get(name, MAX_MIB_ALONE)
