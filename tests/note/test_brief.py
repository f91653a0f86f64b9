"""The short form: what gets sent, with every doubt of the whole note."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Final

import pytest
from markdown_it import MarkdownIt
from msgspec.structs import replace

from flowdiag.diagnoser.finding import Finding
from flowdiag.note import html, markdown, text
from flowdiag.note.brief import MOST_NAMED, shortened
from flowdiag.note.compose import compose
from flowdiag.note.model import Note
from flowdiag.text.escape import markdown as escaped
from flowdiag.text.wording.note import CONFIDENCE
from tests.note.building import FULL_UPLOAD, full_upload, ms, resting_on
from tests.note.situations import SITUATIONS, below_plan, hostile, nothing_read, on_backup

FORMS: Final[dict[str, Callable[[Note], str]]] = {
    "text": text.render_brief,
    "markdown": markdown.render_brief,
    "html": html.render_brief,
}
PARSER = MarkdownIt("commonmark")


def flat(written: str) -> str:
    """Without the line ends, escapes and entities of a format."""
    plain = re.sub(r"\\(?=[^\w\s])", "", written).replace("&#39;", "'").replace("&quot;", '"')
    return " ".join(plain.replace("&amp;", "&").split())


def as_shown(sentence: str) -> str:
    return flat(escaped(sentence))


@pytest.mark.parametrize("form", FORMS)
@pytest.mark.parametrize("name", SITUATIONS)
def test_nothing_that_bounds_a_verdict_is_left_out(name: str, form: str) -> None:
    note = compose(SITUATIONS[name](), ticket="T-1042")
    shown = flat(FORMS[form](note))
    verdict = note.verdict
    needed = [note.client.told, *note.client.saw, note.client.means, *note.client.next]
    needed += [verdict.code, CONFIDENCE[verdict.confidence], *note.coverage.notes, *note.cautions]
    needed += [] if verdict.finding else verdict.reasons
    for finding in (*filter(None, [verdict.finding]), *verdict.also):
        needed += [finding.summary, CONFIDENCE[finding.confidence], *finding.doubts]
    needed += [step.text for step in verdict.next_steps]
    assert [sentence for sentence in needed if as_shown(sentence) not in shown] == []


@pytest.mark.parametrize("form", FORMS)
def test_a_doubtful_verdict_says_so_in_every_form(form: str) -> None:
    note = compose(below_plan(), ticket="T-1042")
    shown = flat(FORMS[form](note))
    assert "below-plan, medium confidence" in shown
    assert "high confidence" not in shown
    assert "Doubts" in shown
    assert "The level is not very flat." in shown


def test_a_finding_told_beside_the_verdict_has_its_own_confidence_and_doubts() -> None:
    second = replace(FULL_UPLOAD, summary="Again.", confidence="low", doubts=("Thin.",), start_ms=ms(120))
    given = full_upload()
    given = replace(
        given,
        findings=(*given.findings, second),
        verdict=replace(resting_on(FULL_UPLOAD), also=(second,)),
    )
    short = shortened(compose(given))
    sections = {section.heading: section.sentences for section in short.sections}
    assert sections["What it rests on"][1] == "link-full, low confidence: Again."
    assert sections["Doubts"] == ("Thin.",)
    assert sections["Also found"] == (
        "Warning: realtime-contention, fibre upload, 14:16 to 14:44 NZDT, medium confidence",
    )


def test_other_findings_are_named_by_weight_and_counted() -> None:
    note = compose(full_upload())

    def others(severe: int, context: int) -> tuple[str, ...]:
        calls = note.findings[1]
        information = replace(calls, severity="info")
        findings: tuple[Finding, ...] = (note.findings[0], *[calls] * severe, *[information] * context)
        sections = shortened(replace(note, findings=findings)).sections
        return next((found.sentences for found in sections if found.heading == "Also found"), ())

    assert others(0, 0) == ()
    assert others(0, 1) == ("1 finding for context alone",)
    assert len(others(MOST_NAMED, 0)) == MOST_NAMED
    assert others(MOST_NAMED + 2, 3)[MOST_NAMED:] == ("2 more that matter", "3 findings for context alone")
    assert others(MOST_NAMED + 1, 0)[MOST_NAMED:] == ("1 more that matters",)


def test_the_one_picture_is_that_of_the_verdict() -> None:
    note = compose(on_backup())
    chart = shortened(note).chart
    assert chart is not None
    assert (chart.link, chart.direction) == ("lte", "down")
    for form, mark in (
        ("text", "lte, download: 100% is"),
        ("markdown", "lte, download: 100% is"),
        ("html", "<svg"),
    ):
        assert FORMS[form](note).count(mark) == (
            2 if form == "html" else 1
        )  # one for a page, one for a phone
    assert "Who used" not in FORMS["html"](note)


def test_a_verdict_without_a_link_shows_the_fullest_one() -> None:
    note = compose(SITUATIONS["outage"]())
    chart = shortened(note).chart
    assert chart is not None
    assert (chart.link, chart.direction) == ("fibre", "down")


@pytest.mark.parametrize("form", FORMS)
def test_a_note_without_a_picture_is_whole_without_it(form: str) -> None:
    shown = FORMS[form](compose(nothing_read()))
    assert "cannot-tell" in shown
    assert "Rate over time" not in shown
    assert "<svg" not in shown


def test_a_long_complaint_is_cut_and_the_time_looked_at_stays() -> None:
    note = compose(full_upload(reported="It is slow. " * 100))
    told = shortened(note).note.client.told
    assert len(told) < 600
    assert "…" in told
    assert told.endswith("We looked at Tuesday 3 March 2026, 14:10 to 14:50 NZDT.")
    longest = shortened(compose(full_upload(reported="x" * 5_000))).note.client.told
    assert len(longest) <= 600


def test_the_picture_in_markdown_is_code_that_nothing_in_it_can_end() -> None:
    note = compose(full_upload())
    odd = replace(note.charts[1], link="```\n# not a heading")
    written = markdown.render_brief(replace(note, charts=(odd,), stack=None))
    tokens = PARSER.parse(written)
    (code,) = [token for token in tokens if token.type == "fence"]
    assert "# not a heading" in code.content
    assert "█" in code.content
    assert [token.type for token in tokens].count("heading_open") == 12


def test_hostile_text_changes_no_structure_of_the_markdown() -> None:
    shapes = []
    for ticket in ("T", hostile().case.reported):
        tokens = PARSER.parse(markdown.render_brief(compose(hostile(), ticket=ticket)))
        shapes.append([token.type for token in tokens])
        assert not {"html_block", "html_inline", "link_open"} & set(shapes[-1])
    assert shapes[0] == shapes[1]


def test_hostile_text_stays_text_in_the_page() -> None:
    page = html.render_brief(compose(hostile(), ticket="<script>"))
    assert "<script" not in page
    assert "\x1b" not in page


def test_the_more_a_short_form_has_to_say_the_smaller_it_prints() -> None:
    note = compose(full_upload())
    findings = (
        replace(note.findings[0], doubts=tuple(f"Doubt {number}. {'x' * 80}" for number in range(60))),
        *note.findings[1:],
    )

    def size(doubts: int) -> str:
        first = replace(findings[0], doubts=findings[0].doubts[:doubts])
        return html.print_size(shortened(replace(note, findings=(first, *findings[1:]))))

    # 22 lines without doubts; doubts are a line each, and two for their heading.
    assert [size(number) for number in (0, 5, 6, 12, 13, 22, 23, 60)] == [
        *("normal", "normal", "small", "small", "smaller", "smaller", "smallest", "smallest")
    ]
