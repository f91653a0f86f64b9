"""One self-contained HTML file that a strict parser accepts and that nothing hostile gets into."""

import re
from html.parser import HTMLParser
from itertools import pairwise

import html5lib
import pytest

from flowdiag.note.compose import compose
from flowdiag.note.html import policy, render
from tests.note.building import full_upload
from tests.note.situations import HOSTILE, SITUATIONS, hostile, nothing_read

VOID = {"meta", "link", "br", "hr", "img", "input"}
# What a note is made of; anything else came from somewhere else.
ALLOWED = {
    *("html", "head", "meta", "title", "style", "body", "header", "main", "section", "article", "figure"),
    *(
        "figcaption",
        "div",
        "h1",
        "h2",
        "h3",
        "h4",
        "p",
        "ul",
        "li",
        "dl",
        "dt",
        "dd",
        "table",
        "caption",
        "thead",
    ),
    *("tbody", "tr", "th", "td", "span", "b", "strong", "bdi"),
    *("svg", "desc", "defs", "pattern", "path", "rect", "line", "circle", "text"),
}


class Strict(HTMLParser):
    """Every element closed in order; collects elements, attributes, ids and text."""

    def __init__(self, source: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.tags: list[str] = []
        self.attributes: list[tuple[str, str, str | None]] = []
        self.text: list[str] = []
        self.feed(source)
        self.close()
        assert not self.open

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.attributes += [(tag, name, value) for name, value in attrs]
        assert len({name for name, _ in attrs}) == len(attrs)
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.handle_starttag(tag, attrs)
        self.handle_endtag(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.text.append(data)


def page(name: str) -> str:
    return render(compose(hostile() if name == "hostile" else SITUATIONS[name](), ticket="T-1042"))


@pytest.mark.parametrize("name", [*SITUATIONS, "hostile"])
def test_the_page_is_valid_and_made_of_known_elements_alone(name: str) -> None:
    source = page(name)
    # html5lib follows the HTML standard's parsing and reports every parse error in strict mode.
    html5lib.HTMLParser(strict=True).parse(source)
    seen = Strict(source)
    assert set(seen.tags) <= ALLOWED
    ids = [value for _, attribute, value in seen.attributes if attribute == "id"]
    assert len(ids) == len(set(ids))


@pytest.mark.parametrize("name", [*SITUATIONS, "hostile"])
def test_nothing_is_run_or_fetched(name: str) -> None:
    seen = Strict(page(name))
    assert not {"script", "iframe", "img", "link", "object", "embed", "form", "a"} & set(seen.tags)
    names = {attribute for _, attribute, _ in seen.attributes}
    assert not [attribute for attribute in names if attribute.startswith("on")]
    assert not {"src", "href", "xlink:href", "style", "srcset", "action"} & names
    links = [value for _, _, value in seen.attributes if value and "url(" in value]
    assert all(re.fullmatch(r"url\(#[a-z0-9-]+\)", link) for link in links)


def test_the_policy_forbids_all_but_the_pages_own_style() -> None:
    source = page("full-upload")
    found = re.search(r'Content-Security-Policy" content="([^"]*)"', source)
    assert found
    style = source[source.index("<style>") + 7 : source.index("</style>")]
    assert found[1].replace("&#39;", "'") == policy(style)
    assert policy(style).startswith("default-src 'none'; style-src 'sha256-")
    assert "unsafe" not in policy(style)


def test_the_style_imports_nothing() -> None:
    style = page("full-upload").split("<style>")[1].split("</style>")[0]
    assert "@import" not in style
    assert "url(" not in style


def test_hostile_text_is_shown_as_text() -> None:
    source = render(compose(hostile(), ticket=HOSTILE))
    assert "<script" not in source
    assert "<!-- &amp;amp;" not in source
    shown = "".join(Strict(source).text)
    assert "<script>a(1)</script>" in shown
    assert not [c for c in source if not c.isprintable() and c != "\n"]


def test_headings_landmarks_and_language_are_there() -> None:
    seen = Strict(page("full-upload"))
    assert ("html", "lang", "en") in seen.attributes
    assert seen.tags.count("main") == seen.tags.count("header") == seen.tags.count("h1") == 1
    levels = [int(tag[1]) for tag in seen.tags if re.fullmatch(r"h[1-6]", tag)]
    assert all(after - before <= 1 for before, after in pairwise(levels))


def test_every_table_has_a_caption_and_header_cells_with_a_scope() -> None:
    seen = Strict(page("full-upload"))
    assert seen.tags.count("caption") == seen.tags.count("table") == 4
    assert sum(
        attribute == "scope" for tag, attribute, _ in seen.attributes if tag == "th"
    ) == seen.tags.count("th")


def test_every_picture_has_a_title_and_a_description() -> None:
    seen = Strict(page("full-upload"))
    # Four charts and who used the main one, each for a page and for a phone.
    assert seen.tags.count("svg") == seen.tags.count("desc") == 10
    assert seen.tags.count("title") == 11  # the page's own
    ids = [value for _, attribute, value in seen.attributes if attribute == "id"]
    assert len(ids) == len(set(ids))
    labelled = [
        value for tag, attribute, value in seen.attributes if (tag, attribute) == ("svg", "aria-labelledby")
    ]
    assert all(part in ids for value in labelled for part in (value or "").split())


def test_the_verdicts_picture_comes_first() -> None:
    source = page("full-upload")
    captions = re.findall(r"<figcaption>(.*?)</figcaption>", source)
    assert captions == [
        *("fibre, upload", "Who used fibre, upload", "fibre, download", "lte, download", "lte, upload"),
    ]


def test_an_export_without_anything_still_makes_a_page() -> None:
    source = render(compose(nothing_read()))
    html5lib.HTMLParser(strict=True).parse(source)
    assert "<svg" not in source
    assert "Nothing was measured." in source


def test_the_same_note_gives_the_same_page() -> None:
    assert render(compose(full_upload())) == render(compose(full_upload()))
