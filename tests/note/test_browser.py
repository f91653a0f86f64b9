"""The HTML note in a real Chromium: nothing fetched, no error, no sideways scrolling, accessible, printable.

Needs Debian's package chromium; accessibility is judged by axe-core (WCAG 2.2 A and AA and best practices).
"""

from __future__ import annotations

import re
from functools import partial
from pathlib import Path
from typing import Any

import pytest
from msgspec.structs import replace

from flowdiag.note.brief import shortened
from flowdiag.note.compose import compose
from flowdiag.note.html import PRINT_SIZES, SMALLEST, print_size, render, render_brief
from flowdiag.note.model import Note
from flowdiag.note.pseudonyms import Pseudonyms
from tests.browser import DESK, PHONE
from tests.note.building import full_upload
from tests.note.situations import HOSTILE, hostile, leak_in_an_audit, mostly_silent, nothing_read, on_backup

NOTES = {
    "full-upload": lambda: compose(full_upload(), ticket="T-1042"),
    "on-backup": lambda: compose(on_backup()),
    "mostly-silent": lambda: compose(mostly_silent()),
    "audit": lambda: compose(leak_in_an_audit(), pseudonyms=Pseudonyms(bytes(32))),
    "hostile": lambda: compose(hostile(), ticket=HOSTILE),
    "nothing-read": lambda: compose(nothing_read()),
}


def doubted(doubts: int) -> Note:
    """A note with so many doubts about its verdict, each as long as a line may be."""
    note = compose(full_upload(reported="It is slow whenever anybody calls. " * 40), ticket="T-1042")
    many = tuple(
        f"The level that was seen is not very flat, and some of the records were lost on the way in part {number:3} of it."
        for number in range(doubts)
    )
    return replace(note, findings=(replace(note.findings[0], doubts=many), *note.findings[1:]))


# One of each size of letters, as full as it gets, and the usual ones.
BRIEF = NOTES | {f"doubts-{number}": partial(doubted, number) for number in (0, 1, 8, 18, 33)}


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("notes")
    for name, note in NOTES.items():
        (place / f"{name}.html").write_text(render(note()), encoding="utf-8")
    for name, note in BRIEF.items():
        (place / f"brief-{name}.html").write_text(render_brief(note()), encoding="utf-8")
    return place


@pytest.mark.parametrize("size", [PHONE, DESK], ids=["phone", "desk"])
@pytest.mark.parametrize("name", [*NOTES, "brief-full-upload", "brief-on-backup"])
def test_a_note_opens_quietly_and_fits_the_screen(opened: Any, name: str, size: tuple[int, int]) -> None:
    tab = opened(name, size)
    assert tab.complaints == []
    assert tab.requests == [tab.url]
    outside = tab.page.evaluate(
        "[...document.querySelectorAll('svg text')].filter(text => { const box = text.getBoundingClientRect(), "
        "all = text.ownerSVGElement.getBoundingClientRect(); "
        "return box.width && (box.left < all.left - 1 || box.right > all.right + 1); }).map(text => text.textContent)"
    )
    assert outside == []
    assert tab.widest() <= size[0]


@pytest.mark.parametrize(
    ("name", "scheme"),
    [
        *(("full-upload", "light"), ("full-upload", "dark"), ("mostly-silent", "light")),
        *(("audit", "dark"), ("hostile", "light"), ("nothing-read", "light"), ("brief-on-backup", "dark")),
    ],
)
def test_axe_finds_nothing_serious(opened: Any, name: str, scheme: str) -> None:
    tab = opened(name, PHONE if scheme == "dark" else DESK, scheme)
    assert tab.violations() == []


@pytest.mark.parametrize(("size", "width"), [(DESK, 600), (PHONE, 300)], ids=["desk", "phone"])
def test_each_picture_is_to_be_seen_once_and_whole(opened: Any, size: tuple[int, int], width: int) -> None:
    tab = opened("full-upload", size)
    boxes = [picture.bounding_box() for picture in tab.page.locator("svg").all()]
    shown = [box for box in boxes if box is not None]
    assert (len(boxes), len(shown)) == (10, 5)
    assert all(box["width"] > width and box["height"] > 90 for box in shown)
    assert all(box["x"] >= 0 and box["x"] + box["width"] <= size[0] for box in shown)
    # Letters do not shrink with the picture.
    scale = tab.page.locator("svg:visible").first.evaluate("svg => svg.getScreenCTM().a")
    assert scale * 12 >= 11
    # The style applies in spite of the policy: the rate's line has its colour (Okabe and Ito's blue).
    stroke = tab.page.locator("path.rate").first.evaluate("line => getComputedStyle(line).stroke")
    assert stroke == "rgb(0, 114, 178)"


def test_dark_and_light_are_both_there(opened: Any) -> None:
    def paper(scheme: str) -> list[int]:
        colour = opened("full-upload", DESK, scheme).page.evaluate(
            "getComputedStyle(document.body).backgroundColor"
        )
        return [int(part) for part in re.findall(r"\d+", colour)]

    assert min(paper("light")) > 240
    assert max(paper("dark")) < 40


def test_tables_scroll_within_their_own_box_on_a_phone(opened: Any) -> None:
    boxes = opened("full-upload", PHONE).page.locator(".scroll")
    inner = boxes.evaluate_all("all => all.map(box => [box.clientWidth, box.scrollWidth, box.tabIndex])")
    assert any(wide > shown for shown, wide, _ in inner)
    assert all(shown <= PHONE[0] and reached == 0 for shown, _, reached in inner)


@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_a_note_prints_on_few_pages_with_nothing_cut_off(opened: Any, paper: str) -> None:
    tab = opened("full-upload")
    pdf = tab.page.pdf(format=paper, prefer_css_page_size=False)
    assert pdf.startswith(b"%PDF-")
    assert 2 <= len(re.findall(rb"/Type\s*/Page\b", pdf)) <= 7
    # The printable width of either paper at 96 px an inch, less 15 mm on each side.
    width = {"A4": 680, "Letter": 702}[paper]
    tab.page.set_viewport_size({"width": width, "height": 900})
    tab.page.emulate_media(media="print", color_scheme="dark")
    assert tab.page.evaluate("document.documentElement.scrollWidth") <= width
    assert tab.page.evaluate("getComputedStyle(document.body).backgroundColor") == "rgb(255, 255, 255)"


@pytest.mark.parametrize("paper", ["A4", "Letter"])
@pytest.mark.parametrize("name", BRIEF)
def test_a_short_form_prints_on_one_page(opened: Any, name: str, paper: str) -> None:
    pdf = opened(f"brief-{name}").page.pdf(format=paper, prefer_css_page_size=False)
    assert len(re.findall(rb"/Type\s*/Page\b", pdf)) == 1


def test_short_forms_of_every_size_are_printed_here() -> None:
    sizes = {print_size(shortened(note())) for note in BRIEF.values()}
    assert sizes == {name for name, _ in PRINT_SIZES} | {SMALLEST}


def test_no_script_runs_even_if_one_got_in(opened: Any, folder: Path) -> None:
    page = (folder / "full-upload.html").read_text(encoding="utf-8")
    (folder / "injected.html").write_text(
        page.replace("<main>", "<main><script>document.title = 'run'</script><img src='http://192.0.2.1/x'>"),
        encoding="utf-8",
    )
    tab = opened("injected")
    assert tab.page.title() != "run"
    assert sum("Content Security Policy" in complaint for complaint in tab.complaints) >= 2
