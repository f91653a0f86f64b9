"""Runs by chance are the same each time, can be played, and a note that misses what happened in one is caught."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from tests.lab.chance import run_by_chance
from tests.lab.chance_expectations import check, longest_full_s
from tests.lab.runs import named
from tests.lab.test_judging import FULL_PACKETS, note
from tests.lab.test_truth import sample, truth_of
from tests.lab.truth import Truth

FULL_S, DIP_S = 80, 2


@pytest.fixture
def truth(tmp_path: Path) -> Truth:
    """Full for 80 s, two of which in the middle were not; then a quiet 20 s."""
    counts = [0]
    for second in range(100):
        idle = FULL_S // 2 <= second < FULL_S // 2 + DIP_S or second >= FULL_S
        counts.append(counts[-1] + (0 if idle else FULL_PACKETS))
    return truth_of(tmp_path, [sample(1_000 * n, 1_500 * count, count) for n, count in enumerate(counts)])


def test_a_run_is_made_up_wholly_by_its_number() -> None:
    for number in range(200):
        run = run_by_chance(number)
        assert run == named(f"chance-{number}")
        assert all(0 <= does.start_s < does.start_s + does.seconds <= run.seconds for does in run.does)
        assert all(0 <= at < run.seconds for at, _ in (*run.steps, *run.rates))
    assert len({run_by_chance(number) for number in range(200)}) == 200


def test_dips_of_a_full_line_are_bridged(truth: Truth) -> None:
    assert truth.full_s("wan1", "down") == FULL_S - DIP_S
    assert longest_full_s(truth, "wan1", "down") == FULL_S
    assert longest_full_s(truth, "wan1", "up") == 0.0


def test_a_full_line_that_no_finding_names_is_caught(truth: Truth) -> None:
    assert any("fibre down was full for 80 s" in fault for fault in check(note("It had room."), truth))
    told = note("It was full.")
    told.note["findings"] = [
        {"code": "link-full", "severity": "critical", "link": "fibre", "direction": "down", "summary": ""}
    ]
    assert list(check(told, truth)) == []
    # The same of the upload, which was never full.
    told.note["findings"].append(told.note["findings"][0] | {"direction": "up"})
    assert [fault for fault in check(told, truth) if fault.startswith("a false link-full")]


def test_high_confidence_in_a_line_that_was_full_is_caught(truth: Truth) -> None:
    faults = list(check(note("It had room.", "high"), truth))
    assert any(fault.startswith("high confidence that it was not the link") for fault in faults)


def test_an_outage_that_was_none_and_one_that_is_missing_are_caught(truth: Truth) -> None:
    told = note("")
    outage = {"code": "outage", "severity": "critical", "link": None, "direction": None, "summary": ""}
    told.note["findings"] = [outage]
    assert [fault for fault in check(told, truth) if fault.startswith("a false outage")]
    cut = replace(
        truth,
        pings=((0, 0.5), (20_000, None), (60_000, 0.5)),
        run=replace(truth.run, steps=((20, "cut main"), (20, "cut backup"))),
    )
    assert not [fault for fault in check(told, cut) if "outage" in fault]
    told.note["findings"] = []
    assert [fault for fault in check(told, cut) if "and no outage" in fault]


def test_a_rate_that_changes_is_the_limit_from_then_on(truth: Truth) -> None:
    halved = replace(truth, changes=((50_000, 0.5),))
    assert [halved.rate("wan1", "down", ms) for ms in (0, 49_999, 50_000)] == [12.0, 12.0, 6.0]
    assert halved.rate("wan2", "down", 60_000) == truth.run.backup.down
