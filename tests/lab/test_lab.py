"""Two runs of the lab, played at once: what flowdiag says of them is what was measured beside the switch."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.lab.__main__ import played, table
from tests.lab.runs import named


@pytest.mark.slow
def test_the_note_of_a_real_network_says_what_was_measured_beside_it(tmp_path: Path) -> None:
    runs = [named("upload-full"), named("both-cut")]
    rows = list(played(runs, tmp_path, jobs=len(runs)))
    assert [row.run for row in rows] == ["upload-full", "both-cut"]
    assert not any(row.faults for row in rows), table(rows)
