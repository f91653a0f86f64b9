"""Two runs of the lab, played at once: what flowdiag says of them is what was measured beside the switch.

They take a minute and a half, mostly of waiting: they begin with the slow tests, and are judged after all others.
"""

from __future__ import annotations

import pytest

from tests.lab.__main__ import table
from tests.lab.background import Background

RUNS = ("upload-full", "both-cut")


@pytest.fixture(scope="module")
def lab(tmp_path_factory: pytest.TempPathFactory, worker_id: str) -> Background:
    folder = tmp_path_factory.getbasetemp()
    whole_run = (
        folder if worker_id == "master" else folder.parent
    )  # each worker has a folder of its own in it
    started = Background(whole_run / "lab", RUNS)
    started.start()
    return started


@pytest.mark.slow
def test_the_runs_begin(lab: Background) -> None:
    lab.start()  # once more, which changes nothing


@pytest.mark.last
@pytest.mark.parametrize("name", RUNS)
def test_the_note_of_a_real_network_says_what_was_measured_beside_it(lab: Background, name: str) -> None:
    row = lab.row(name)
    assert row.run == name
    assert not row.faults, table([row])
