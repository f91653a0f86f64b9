"""Recordings of every run of the lab that are kept: what flowdiag says of them is what was measured beside them."""

from __future__ import annotations

from pathlib import Path
from typing import Final

import pytest

from tests.lab.__main__ import judge, table
from tests.lab.runs import RUNS

KEPT: Final = Path(__file__).parents[2] / "fixtures" / "lab"


@pytest.mark.parametrize("name", [run.name for run in RUNS])
def test_the_note_of_a_recording_says_what_was_measured_beside_it(name: str) -> None:
    row = judge(KEPT / name)
    assert not row.faults, table([row])
