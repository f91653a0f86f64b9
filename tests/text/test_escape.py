"""Untrusted text does no harm wherever it lands, and harmless text stays as it is."""

import tomllib
import unicodedata
from html.parser import HTMLParser

import pytest
from hypothesis import given
from hypothesis import strategies as st
from markdown_it import MarkdownIt

from flowdiag.text.escape import LONGEST, csv_cell, html, markdown, terminal, toml_string

# Lone surrogates and everything else that a Python string can hold.
any_text = st.text(st.characters(exclude_categories=()))
HOSTILE = (
    *("\x1b[2J", "\x9b31m", "\x07", "\x7f", "\x00", "\x1b]0;title\x07"),
    *("\u202e", "\u2066", "\u2069", "\u200e", "\u200f", "\u061c"),  # bidirectional controls
    *("\u200b", "\u200c", "\u200d", "\ufeff", "\u2060", "\u00ad", "\u180e", "\U000e0041"),  # zero width
    *("\u2028", "\u2029", "\x85", "\x0b", "\x0c"),  # line ends of some readers
    *("\ud800", "\udfff", "\ue000", "\U00100000", "\ufdd0", "\uffff", "\U0001fffe"),
    *("\u115f", "\u3164", "\uffa0", "\u034f"),  # letters that show nothing
)


@pytest.mark.parametrize("text", HOSTILE)
def test_what_steers_or_hides_becomes_visible(text: str) -> None:
    shown = terminal(f"a{text}b")
    assert "\N{REPLACEMENT CHARACTER}" in shown
    assert not set(text) & set(shown) - set("[]0;title2J31m")


@pytest.mark.parametrize(
    "text",
    [
        "Café Łódź, 東京の写真 — 40 °C",
        "192.168.40.20 (imaging archive)",
        "C:\\a b [x] <y> & *z*",
        "नमस्ते",
        "Việt",
        "",
    ],
)
def test_ordinary_names_stay_as_they_are(text: str) -> None:
    assert terminal(text) == text


def test_white_space_of_any_kind_becomes_spaces() -> None:
    assert terminal("a\tb\r\nc\rd\u00a0e\u3000f") == "a b c d e f"


def test_long_text_is_cut_visibly() -> None:
    assert terminal("x" * (LONGEST + 1)) == "x" * (LONGEST - 1) + "…"
    assert terminal("x" * LONGEST) == "x" * LONGEST
    assert terminal("abcdef", longest=3) == "ab…"


def test_a_tower_of_combining_marks_is_lowered() -> None:
    assert terminal("a" + "\u0301" * 500 + "b") == "a" + "\u0301" * 4 + "b"


@given(any_text)
def test_whatever_comes_is_one_printable_line(text: str) -> None:
    shown = terminal(text)
    assert not {unicodedata.category(c) for c in shown} & {"Cc", "Cf", "Cs", "Co", "Zl", "Zp"}
    assert len(shown.splitlines()) <= 1
    shown.encode("utf-8")
    assert terminal(shown) == shown


def rendered(source: str) -> str:
    """With every extension that a ticket system is likely to use: tables, strikethrough, linkify, HTML."""
    parser = MarkdownIt("gfm-like", {"html": True, "linkify": True})
    parser.enable(["table", "strikethrough"])
    return parser.render(source)


@pytest.mark.parametrize(
    "text",
    [
        *(
            "# heading",
            "- item",
            "+ item",
            "1. item",
            "2) item",
            "> quote",
            "===",
            "---",
            "***",
            "* x",
            "- - -",
        ),
        *("**bold**", "_em_", "`code`", "``", "~~gone~~", "[x](http://a.example)", "![x](y)", "<b>x</b>"),
        *(
            "a | b",
            "|---|",
            "&amp;",
            "&#x41;",
            "\\",
            "<http://a.example>",
            "<!-- x",
            "    code",
            "$x$",
            "[a]: /b",
        ),
        *("=", "-", "#", "+", "1.", "<script>alert(1)</script>", "[ ] task", "a\n# b", "a  \nb"),
    ],
)
def test_markdown_takes_text_literally(text: str) -> None:
    seen = _Seen()
    seen.feed(rendered(markdown(text)))
    assert seen.tags == ["p"]
    assert seen.text.strip() == " ".join(text.split())


@given(any_text)
def test_markdown_makes_one_paragraph_or_nothing_of_any_text(text: str) -> None:
    seen = _Seen()
    seen.feed(rendered(markdown(text)))
    assert seen.tags in ([], ["p"])


@given(any_text)
def test_markdown_keeps_to_its_table_cell(text: str) -> None:
    source = f"| a | b |\n|---|---|\n| {markdown(text)} | end |\n"
    seen = _Seen()
    seen.feed(rendered(source))
    assert seen.tags == ["table", "thead", "tr", "th", "th", "tbody", "tr", "td", "td"]
    assert seen.text.split()[-1] == "end"


def test_markdown_breaks_what_would_become_a_link_or_a_mention() -> None:
    assert markdown("http://a.example/x") == r"http\://a\.example/x"
    assert markdown("www.a.example") == r"www\.a\.example"
    assert markdown("@all, write to x@a.example") == r"＠all, write to x＠a\.example"
    for text in (
        "http://a.example/x",
        "www.a.example",
        "x@a.example",
        "mailto:x@a.example",
        "//a.example",
        "a.example/x",
    ):
        assert "<a" not in rendered(markdown(text))


def test_markdown_leaves_figures_and_addresses_readable() -> None:
    text = "39.1 of 40 Mbit/s from 14:05 to 14:39, 192.168.40.20 (imaging archive)."
    assert markdown(text) == text
    assert markdown("It was full from 14:00 to 15:00.") == "It was full from 14:00 to 15:00."
    assert markdown("2001:db8::1") == "2001:db8::1"


class _Seen(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.text = ""

    def handle_starttag(self, tag: str, attrs: object) -> None:
        self.tags.append(tag)

    def handle_comment(self, data: str) -> None:
        self.tags.append("comment")

    def handle_data(self, data: str) -> None:
        self.text += data


@given(any_text)
def test_html_text_adds_no_element_and_reads_the_same(text: str) -> None:
    seen = _Seen()
    seen.feed(f'<p title="{html(text)}">{html(text)}</p>')
    seen.close()
    assert seen.tags == ["p"]
    assert seen.text == terminal(text)


@pytest.mark.parametrize(
    "text",
    ["=1+1", "+1", "-1", "@SUM(A1)", "\t=1", "\r=1", "\n=1", "  =1", "\x00=1", "\u200b=1", "＝1", "\ufeff@x"],
)
def test_a_spreadsheet_sees_no_formula(text: str) -> None:
    assert csv_cell(text).startswith("'")
    assert not set(csv_cell(text)) & set("\t\r\n\x00")


@pytest.mark.parametrize("text", ["https", "192.168.40.20", "a=b", "imaging archive", ""])
def test_ordinary_cells_stay_as_they_are(text: str) -> None:
    assert csv_cell(text) == text


@given(any_text)
def test_toml_reads_back_the_printable_text(text: str) -> None:
    assert tomllib.loads(f"x = {toml_string(text)}") == {"x": terminal(text)}
