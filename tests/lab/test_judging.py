"""A note that says what is not so is caught."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from tests.lab.judging import faults
from tests.lab.notes import Told, lasting_s
from tests.lab.test_truth import sample, truth_of
from tests.lab.truth import Truth

# A minute of which 20 s were full: 20 x 990 packets of 1,500 octets, then nothing. 240 Mbit of IP with 18 octets of framing
# each: 19,800 x 1,518 x 8 / 60 s = 4.0075 Mbit/s; the highest window of 5 s: 4,950 x 1,518 x 8 / 5 s = 12.02.
FULL_PACKETS, FULL_S, LASTING_S = 990, 20, 60
QUIET: dict[str, float] = {
    "capacity_mbps": 4,
    "mean_mbps": 0.0,
    "p95_mbps": 0.0,
    "peak_mbps": 0.0,
    "bytes": 0,
    "busy_minutes": 0,
    "full_minutes": 0,
}


@pytest.fixture
def truth(tmp_path: Path) -> Truth:
    counts = [FULL_PACKETS * min(second, FULL_S) for second in range(LASTING_S + 1)]
    return truth_of(
        tmp_path, [sample(1_000 * n, 1_500 * count, count) for n, count in enumerate(counts)], [[0, 0.5]]
    )


def note(sentence: str, confidence: str = "medium", **down: float) -> Told:
    packets = FULL_PACKETS * FULL_S
    main = QUIET | {"capacity_mbps": 12, "mean_mbps": 4.0075, "p95_mbps": 12.02, "peak_mbps": 12.02}
    main |= {"bytes": 1_500 * packets, "busy_minutes": 0.33, "full_minutes": 0.33} | down
    up = QUIET | {"capacity_mbps": 3, "bytes": 1_500 * packets}  # the studio offered as much
    links = [{"name": "fibre", "down": main, "up": up}, {"name": "lte", "down": QUIET, "up": QUIET}]
    told: dict[str, Any] = {
        "verdict": {"code": "not-the-link", "confidence": confidence, "sentence": sentence},
        "client": {"saw": [sentence], "means": "", "next": []},
        "findings": [],
        "links": links,
        "window": {"from": "1970-01-01T12:00:00+12:00", "to": "1970-01-01T12:01:00+12:00"},
        "timezone": "Pacific/Auckland",
        "coverage": {"resolution_s": 5},
    }
    told["links"][0]["up"]["mean_mbps"] = told["links"][0]["up"]["peak_mbps"] = 4.0
    return Told(told, "")


def test_a_note_that_is_true_has_no_fault(truth: Truth) -> None:
    sentence = "Apart from a spell of 20 seconds, your main line was at 5% in the time that was measured."
    assert list(faults(note(sentence), truth)) == []


@pytest.mark.parametrize(
    ("sentence", "confidence", "figures", "fault"),
    [
        ("Your main line was not the cause.", "high", {}, "“was not the cause”, and wan1 down was full"),
        ("Your main line was not the cause.", "medium", {}, "“was not the cause” with medium confidence"),
        ("It was never used above 36%.", "low", {}, "“never used above 36%”, and wan1 down was at 100%"),
        ("It had room.", "high", {}, "high confidence in 'had room', and wan1 down was full"),
        ("", "low", {"bytes": 29_600_000.0}, "octets of wan1 down: 29,600,000 told, 29,700,000 counted"),
        ("", "low", {"full_minutes": 0.0}, "wan1 down: 0 s full, the kernel counted 20 s"),
        ("", "low", {"peak_mbps": 4.0}, "wan1 down: the mean, 4.0075, is above the peak, 4.0 Mbit/s"),
        ("", "low", {"mean_mbps": 2.0}, "wan1 down: the mean, 2.0, is less than its octets over the window"),
        ("", "low", {"busy_minutes": 0.0}, "wan1 down: more full minutes, 0.33, than busy, 0.0"),
    ],
)
def test_each_untruth_is_caught(
    truth: Truth, sentence: str, confidence: str, figures: dict[str, float], fault: str
) -> None:
    found = list(faults(note(sentence, confidence, **figures), truth))
    assert any(each.startswith(fault) for each in found), found


def test_a_finding_outside_the_run_is_caught(truth: Truth) -> None:
    told = note("")
    told.note["findings"] = [
        {"code": "link-full", "from": "1970-01-01T12:00:40+12:00", "to": "1970-01-01T12:01:20+12:00"}
    ]
    assert [each for each in faults(told, truth) if "is not within the run" in each]


def test_times_and_durations_of_a_sentence_are_read() -> None:
    told = note("")
    assert told.clocks("It was full from 12:00 to 12:00:40.") == [(0, 30_000), (40_000, 1_000)]
    assert lasting_s("for 1 minute, then for 20 seconds") == [60.0, 20.0]
