"""Which outages are told: those that something was tried in, and those that last."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any, cast

import pytest

from flowdiag.durations import MINUTE_MS
from flowdiag.watch.judging import LEAST_UNTRIED_MS, _may_be_people


def outage(proof: str, minutes: float, confidence: str = "high") -> Any:
    return cast(
        Any,
        SimpleNamespace(
            code="outage", start_ms=0, end_ms=round(minutes * MINUTE_MS), confidence=confidence,
            evidence={"at_work_shown_by": proof},
        ),
    )  # fmt: skip


@pytest.mark.parametrize(
    ("proof", "minutes", "confidence", "told"),
    [
        ("attempts", 3, "high", True),
        ("interrupted", 3, "high", True),
        ("hours", 3.1, "high", False),
        ("abrupt", 3.1, "medium", False),
        ("hours", LEAST_UNTRIED_MS / MINUTE_MS, "high", True),
        ("attempts", 30, "low", False),
    ],
)
def test_what_may_as_well_be_people_who_pause_is_not_told(
    proof: str, minutes: float, confidence: str, told: bool
) -> None:
    assert _may_be_people(outage(proof, minutes, confidence)) is not told
