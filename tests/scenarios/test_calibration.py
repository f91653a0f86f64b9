"""The calibration counts what is right and what is wrong; few draws, so that it is quick."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from types import SimpleNamespace
from xml.etree import ElementTree

import numpy as np
import pytest

from tests.scenarios.calibration import (
    FIRST_NUMBER,
    SLOW,
    Draw,
    Row,
    bounds,
    draw,
    drawn,
    jobs_for,
    table,
)
from tests.scenarios.calibration_page import BEGIN, END, PAGE, section, written, wrong_ones
from tests.scenarios.claims import least_peak, true_peak, untrue_claims
from tests.scenarios.evidence import cause_on_link
from tests.scenarios.reliability import place, reliability_svg
from tests.scenarios.runner import HELD_OUT, TUNING, score
from tests.scenarios.stage import SITUATIONS, labelled

RIGHT = Draw("a/1000", "link-full", "high", True, ("link-full",), cause_on_link=True, complete=True)
MISSED = Draw("b/1000", "not-the-link", "high", False, ("link-full",), cause_on_link=True, complete=True)


def broken(draws: list[Draw]) -> set[str]:
    """The first word of each bound that does not hold."""
    return {bound.says.split(":")[0] for bound in bounds(draws) if not bound.holds}


def test_draws_are_spread_evenly_and_have_numbers_of_their_own() -> None:
    jobs = jobs_for(3000)
    assert len(jobs) >= 3000
    counts = Counter(name for name, _ in jobs)
    assert set(counts) == set(SITUATIONS)
    assert len({counts[name] for name in SITUATIONS if name not in SLOW}) == 1
    assert max(counts.values()) * len(counts) < 3000 + 2 * len(counts)
    assert not {number for _, number in jobs} & {*TUNING, *HELD_OUT}
    assert min(number for _, number in jobs) == FIRST_NUMBER


def test_a_right_answer_is_counted_as_right() -> None:
    one = draw(("backup-job-fills-the-upload", FIRST_NUMBER))
    assert one is not None
    assert (one.code, one.right, one.cause_on_link) == ("link-full", True, True)


def test_a_wrong_answer_is_counted_as_wrong() -> None:
    """The same answer of the program, held against labels that it does not meet."""
    result = score(("backup-job-fills-the-upload", FIRST_NUMBER))
    result.verdict_wanted = ("outage",)
    wrong = drawn(result)
    assert not wrong.right
    assert table([wrong, RIGHT])[0] == Row("all", "high", 2, 1)
    assert "wanted outage" in wrong_ones([wrong])


def test_one_wrong_in_two_hundred_is_just_allowed_of_high_confidence() -> None:
    assert "high" not in broken([RIGHT] * 199 + [replace(RIGHT, right=False)])
    assert "high" in broken([RIGHT] * 198 + [replace(RIGHT, right=False)])


def test_one_wrong_in_ten_is_just_allowed_of_medium_confidence() -> None:
    sure = replace(RIGHT, confidence="medium", complete=False)
    assert broken([sure] * 9 + [replace(sure, right=False)]) == set()
    assert broken([sure] * 8 + [replace(sure, right=False)]) == {"medium"}


def test_a_false_all_clear_breaks_its_bound_whatever_its_confidence() -> None:
    unsure = replace(MISSED, confidence="low", complete=False)
    assert broken([RIGHT] * 400 + [unsure]) == set()  # 0.25 %
    assert broken([RIGHT] * 300 + [unsure]) == {"all-clear though the cause is on the link"}  # 0.33 %


def test_confidence_that_is_never_high_breaks_its_bound() -> None:
    shy = replace(RIGHT, confidence="medium")
    assert broken([RIGHT] * 85 + [shy] * 15) == set()
    assert broken([RIGHT] * 84 + [shy] * 16) == {"high where the evidence is complete"}


def test_an_alarm_in_a_healthy_draw_and_a_forbidden_high_break_their_bounds() -> None:
    healthy = Draw("c/1000", "not-the-link", "high", True, ("not-the-link",), healthy=True)
    assert broken([healthy]) == set()
    assert broken([replace(healthy, alarms=("export-gap",))]) == {"warning or worse where nothing is wrong"}
    assert broken([replace(healthy, overclaimed=True)]) == {"high where the evidence forbids it"}


def test_only_causes_on_a_link_make_an_all_clear_false() -> None:
    assert cause_on_link(("link-full",))
    assert cause_on_link(("outage", "on-backup"))
    assert not cause_on_link(("outage", "not-the-link"))
    assert not cause_on_link(("cannot-tell",))
    assert not cause_on_link(("unanswered-connections",))


def test_the_least_peak_is_that_of_the_kindest_placing_of_windows() -> None:
    """Six steps, two at the limit: windows of two hold both or one each, by where they begin."""
    share = np.array([0, 0, 0, 1, 1, 0], float)
    assert least_peak(share, 2) == pytest.approx(0.5)  # [0 0][0 1][1 0]
    assert least_peak(share[1:], 1) == 1.0


@pytest.mark.parametrize(
    ("sentence", "confidence", "faults"),
    [
        ("Your line was never used above {high}%.", "high", 0),
        ("Your line was never used above {low}%.", "high", 1),
        ("Your line was not the cause: never used above {high}%.", "medium", 1),
        ("Your line was not the cause: never used above {low}%.", "low", 2),
    ],
)
def test_a_sentence_that_claims_too_much_is_untrue(sentence: str, confidence: str, faults: int) -> None:
    case = labelled("peaks-at-60-percent", FIRST_NUMBER)
    peak = true_peak(case, [])
    assert 0.3 < peak < 0.75
    said = sentence.format(high=round(peak * 100) + 1, low=round(peak * 100) - 10)
    verdict = SimpleNamespace(code="not-the-link", confidence=confidence, sentence=said)
    found = untrue_claims(case, SimpleNamespace(verdict=verdict, findings=()))
    assert len(found) == faults


def test_complete_evidence_lacks_nothing() -> None:
    for name in ("a-short-export-of-ordinary-work", "a-site-with-hardly-any-traffic"):
        assert labelled(name, FIRST_NUMBER + 1).complete, name
    for name in (
        "short-full-spells-in-a-healthy-hour",
        "half-used-and-a-tenth-of-the-messages-is-lost",
        "cut-off-for-half-a-minute",
        "sampled-and-healthy",
        "a-slow-single-server",
        "the-router-restarts-in-a-healthy-hour",
    ):
        assert not labelled(name, FIRST_NUMBER).complete, name


def test_the_section_says_what_was_counted() -> None:
    text = section([RIGHT] * 3 + [MISSED], spoiled=0)
    assert "4 draws of 2 situations" in text
    assert "| **all** | high | 4 | 3 | 75.00% |" in text
    assert "| `not-the-link` | high | 1 | 0 | 0.00% |" in text
    assert "| high: right in at least 99.5% | 3 of 4 | 75.00% | **no** |" in text


def test_the_section_replaces_itself_and_nothing_else() -> None:
    page = f"before\n{BEGIN}\nold\n{END}\nafter\n"
    once = written(page, "new")
    assert once == written(once, "new") == f"before\n{BEGIN}\n\nnew\n\n{END}\nafter\n"
    with pytest.raises(ValueError, match="no section"):
        written("no marks", "new")
    assert written(PAGE.read_text(encoding="utf-8"), "new")


def test_the_picture_shows_every_row_and_sets_fewer_errors_further_right() -> None:
    assert place(0.5) < place(0.9) < place(0.99) < place(0.999) < place(1.0)
    assert place(0.99) - place(0.9) == pytest.approx(place(0.999) - place(0.99))
    svg = reliability_svg(table([RIGHT] * 5 + [MISSED]))
    tree = ElementTree.fromstring(svg)
    texts = [node.text for node in tree.iter("{http://www.w3.org/2000/svg}text")]
    assert {"all, high", "link-full, high", "not-the-link, high"} <= set(texts)
    assert "link-full high: 5 of 5 right" in svg
