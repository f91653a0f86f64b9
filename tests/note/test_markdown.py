"""Markdown that pastes: read back by an independent CommonMark parser."""

from itertools import pairwise

import pytest
from markdown_it import MarkdownIt
from markdown_it.token import Token

from flowdiag.note.compose import compose
from flowdiag.note.markdown import render
from tests.note.building import full_upload
from tests.note.situations import HOSTILE, SITUATIONS, hostile

PARSER = MarkdownIt("commonmark").enable("table")
# What CommonMark without HTML, and pipe tables, are made of.
ALLOWED = {
    *("heading", "paragraph", "bullet_list", "list_item", "table", "thead", "tbody", "tr", "th", "td"),
    *("inline", "text", "strong", "text_special"),
}


def kinds(tokens: list[Token]) -> set[str]:
    found = set()
    for token in tokens:
        found.add(token.type.removesuffix("_open").removesuffix("_close"))
        found |= kinds(token.children or [])
    return found


def headings(source: str) -> list[str]:
    tokens = PARSER.parse(source)
    return [
        f"{token.tag} {tokens[at + 1].content}"
        for at, token in enumerate(tokens)
        if token.type == "heading_open"
    ]


@pytest.mark.parametrize("name", [*SITUATIONS, "hostile"])
def test_a_note_uses_plain_commonmark_and_tables_alone(name: str) -> None:
    given = hostile() if name == "hostile" else SITUATIONS[name]()
    assert kinds(PARSER.parse(render(compose(given, ticket="T")))) <= ALLOWED


def test_hostile_text_changes_no_structure() -> None:
    given = hostile()
    calm = MarkdownIt("commonmark").enable("table").parse(render(compose(given)).replace("\\", ""))
    assert kinds(calm) - ALLOWED, "the text would do harm if it were not escaped"
    shape = [token.type for token in PARSER.parse(render(compose(given, ticket=HOSTILE)))]
    assert shape == [token.type for token in PARSER.parse(render(compose(given, ticket="T")))]


def test_headings_go_down_one_by_one() -> None:
    tags = [int(line[1]) for line in headings(render(compose(full_upload(), ticket="T-1042")))]
    assert tags[0] == 1
    assert all(after - before <= 1 for before, after in pairwise(tags))


def test_the_client_part_comes_first() -> None:
    found = headings(render(compose(full_upload(), ticket="T-1042")))
    assert found[:7] == [
        "h1 Ticket note T-1042: Harbour Lane Clinic",
        "h2 For the client",
        "h3 What you told us",
        "h3 What we saw",
        "h3 What it means",
        "h3 What happens next",
        "h2 For the engineer",
    ]


def test_tables_have_as_many_cells_in_every_row() -> None:
    source = render(compose(hostile()))
    tokens = PARSER.parse(source)
    rows: list[int] = []
    for token in tokens:
        if token.type == "tr_open":
            rows.append(0)
        elif token.type in ("td_open", "th_open"):
            rows[-1] += 1
    assert set(rows) == {4, 5, 9}
