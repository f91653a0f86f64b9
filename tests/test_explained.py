"""The pages of the codes, drawn from docstrings."""

from __future__ import annotations

import pytest

from flowdiag.diagnoser.kinds import KINDS
from flowdiag.explained import known_codes, page, pages, parse_page
from flowdiag.text.wording.pages import SECTIONS
from flowdiag.watch.event import NOT_HEARD

CODES = [*(kind.code for kind in KINDS), NOT_HEARD]

DOCSTRING = """A link is upside down.

Means: packets fall
off.

Decided:
by looking:

- once
- twice

Thresholds: full, 0.90.
Do: turn it round.
"""


def test_a_docstring_becomes_a_sentence_and_sections() -> None:
    parsed = parse_page("upside-down", DOCSTRING)
    assert parsed.says == "A link is upside down."
    assert parsed.sections == (
        ("What it means", "Packets fall\noff."),
        ("How it is decided", "By looking:\n\n- once\n- twice"),
        ("Thresholds", "full, 0.90."),
        ("What to do", "Turn it round."),
    )


def test_the_name_of_a_threshold_keeps_its_case() -> None:
    assert parse_page("x", "X.\n\nThresholds: leak_share, 0.05.").sections[0][1] == "leak_share, 0.05."


def test_markdown() -> None:
    text = parse_page("upside-down", DOCSTRING).markdown()
    assert text.startswith(
        "# upside-down\n\nA link is upside down.\n\n## What it means\n\nPackets fall\noff.\n\n## How"
    )
    assert text.endswith("## What to do\n\nTurn it round.\n")


def test_every_code_has_a_page() -> None:
    assert known_codes() == CODES


@pytest.mark.parametrize("code", CODES)
def test_every_page_says_how_it_is_decided_and_what_to_do(code: str) -> None:
    headings = [heading for heading, _ in page(code).sections]
    assert headings == sorted(headings, key=list(SECTIONS.values()).index)
    assert {"What it means", "How it is decided", "What to do", "Limits"} <= set(headings)
    assert all(text for _, text in page(code).sections)


def test_pages_come_in_the_order_of_the_reference() -> None:
    assert [one.code for one in pages()] == CODES
