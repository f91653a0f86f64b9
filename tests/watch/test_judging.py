"""What is told of outages, lost records and keepalives: what was tried or lasts, and what a datagram or two do not explain."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any, cast

import pytest

from flowdiag.durations import MINUTE_MS
from flowdiag.watch.judging import (
    LEAST_LOST,
    LEAST_UNTRIED_MS,
    _is_few_lost,
    _may_be_one_record,
    _may_be_people,
)


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


@pytest.mark.parametrize(
    ("evidence", "few"),
    [
        ({"lost_records": LEAST_LOST - 1, "lost_percent": 30.0}, True),
        ({"lost_records": LEAST_LOST, "lost_percent": 0.1}, False),
        ({"silent_minutes": 6.0, "lost_records": 24}, True),  # one datagram makes one pause of two
        ({"silent_minutes": 30.0, "lost_records": 0}, True),  # that is told while it lasts
        ({"silent_minutes": 6.0, "lost_records": 400}, False),
        ({"silent_minutes": 6.0, "lost_records": 0, "restarted": True}, False),
        ({"silent_minutes": 1.0, "restarted": True}, False),
    ],
)
def test_a_datagram_or_two_are_no_sign_of_trouble(evidence: dict[str, Any], few: bool) -> None:
    gap = cast(Any, SimpleNamespace(code="export-gap", evidence=evidence))
    assert _is_few_lost(gap) is few


@pytest.mark.parametrize(
    ("code", "begin", "end", "until", "told"),
    [
        ("keepalive-unanswered", 50, 55, 55, False),  # two records of two minutes each, and a minute
        ("keepalive-missing", 50, 55, 55, False),
        ("keepalive-unanswered", 50, 55.1, 56, True),
        ("keepalive-unanswered", 50, 54, 57, False),
        ("keepalive-unanswered", 50, 54, 57.1, True),  # whoever lost something has said so by then
        ("keepalive-excess", 50, 54, 55, True),
    ],
)
def test_keepalives_of_one_record_may_be_lost_as_long_as_nobody_can_have_said_so(
    code: str, begin: float, end: float, until: float, told: bool
) -> None:
    window_ms = (0, round(until * MINUTE_MS))
    case = SimpleNamespace(window_ms=window_ms, coverage=SimpleNamespace(resolution_s=120))
    finding = SimpleNamespace(code=code, start_ms=begin * MINUTE_MS, end_ms=end * MINUTE_MS)
    assert _may_be_one_record(cast(Any, case), cast(Any, finding)) is not told
