"""A quick part of the labelled suite; `python -m tests.scenarios` runs all of it."""

from __future__ import annotations

import pytest

from tests.scenarios.report import faults, summary
from tests.scenarios.runner import HELD_OUT, SITUATIONS, TUNING, jobs_of, score
from tests.scenarios.stage import labelled

QUICK = (
    "backup-job-fills-the-upload",
    "busy-at-85-percent-for-long",
    "full-for-two-minutes-only",
    "half-full-and-metered-twice",
    "sampled-and-full",
    "the-router-clock-is-wrong",
    "the-line-trained-down",
    "a-slow-single-server",
    "a-failover-and-back",
    "a-flapping-line",
    "lingering-after-the-failback",
    "a-leak-found-in-an-audit",
    "keepalives-stop",
    "keepalives-without-replies",
    "both-links-are-down",
    "the-exporter-was-silent",
    "several-links-without-interface-numbers",
    "a-service-does-not-answer",
    "a-scan-from-inside",
    "background-radiation-from-the-internet",
    "calls-on-a-full-upload",
    "an-ordinary-hour",
)


@pytest.mark.parametrize("name", QUICK)
def test_the_diagnosis_is_what_the_truth_says(name: str) -> None:
    result = score((name, TUNING[0]))
    assert not result.faults, faults([result])


def test_the_suite_is_large_and_its_halves_differ() -> None:
    assert len(SITUATIONS) >= 120
    assert not set(TUNING) & set(HELD_OUT)
    first, second = (labelled("an-ordinary-hour", number) for number in (TUNING[0], HELD_OUT[0]))
    assert first.situation.start_ms != second.situation.start_ms


def test_names_choose_jobs() -> None:
    assert jobs_of((3,), "an-ordinary-hour") == [("an-ordinary-hour", 3)]
    assert len(jobs_of((0, 1))) == 2 * len(SITUATIONS)


def test_the_report_counts_what_was_found_missed_and_false() -> None:
    result = score(("an-ordinary-hour", TUNING[0]))
    result.misses.append("link-full")
    result.alarms.append("outage")
    result.faults.append("missed link-full")
    text = summary([result])
    assert "labelled findings     " in text
    assert any(line.split() == ["link-full", "0", "1", "0", "0"] for line in text.splitlines())
    assert any(line.split()[:4] == ["outage", "0", "0", "1"] for line in text.splitlines())
    assert "without any fault     0 of 1" in text
