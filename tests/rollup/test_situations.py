"""Labelled situations of hours and days, judged by the roll-ups of a store; `python -m tests.scenarios --rolled-up` plays all."""

from __future__ import annotations

from typing import Any

import pytest

from flowdiag import pipeline
from tests.scenarios.runner import score

# Each has what its sums must not hide: keepalives on an idle backup, switches, silences, leaks, nothing at all.
SITUATIONS = (
    "a-failover-and-later-a-leak",
    "a-failover-at-night",
    "a-quiet-night",
    "an-ordinary-working-day",
    "keepalives-half-again-too-slow",
    "keepalives-pause-in-long-records",
    "keepalives-stop",
    "two-failovers-hours-apart",
    "weekend-with-the-line-unplugged",
)


@pytest.mark.parametrize("name", SITUATIONS)
def test_a_situation_of_hours_is_told_by_roll_ups_as_by_flows(
    name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    by_sums: list[bool] = []
    long_case = pipeline.long_case

    def noted(*words: Any) -> Any:
        case = long_case(*words)
        by_sums.append(case is not None)
        return case

    monkeypatch.setattr(pipeline, "long_case", noted)
    judged = score((name, 0), rolled_up=True)
    assert by_sums == [True]
    assert judged.faults == []
