"""The review's pages in a real Chromium: nothing fetched, no error, no sideways scrolling, accessible."""

from __future__ import annotations

import subprocess
from pathlib import Path
from typing import Any

import pytest
from msgspec.structs import replace

from flowdiag.review.pages import client_page, page_names, portfolio_page
from flowdiag.review.period import month_period
from flowdiag.review.portfolio_review import review
from flowdiag.review.sites import read_sites
from tests.browser import DESK, PHONE
from tests.review.portfolios import of_kinds


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A page of one client with several kinds of site, and the page of all."""
    place = tmp_path_factory.mktemp("review")
    done = of_kinds(place, ("outgrown", "runaway", "failover", "leak", "new"), days=31)
    sites, _ = read_sites(done.sites)
    reviewed = review(str(done.store), sites, month_period("2026-03"))
    every = [site for of_client in reviewed.clients().values() for site in of_client]
    (place / "client.html").write_text(client_page(every, "March 2026"), encoding="utf-8")
    (place / "all.html").write_text(portfolio_page(reviewed, page_names(reviewed)), encoding="utf-8")
    many = replace(reviewed, sites=reviewed.sites * 20)
    (place / "many.html").write_text(portfolio_page(many), encoding="utf-8")
    return place


@pytest.mark.parametrize("size", [PHONE, DESK], ids=["phone", "desk"])
@pytest.mark.parametrize("name", ["client", "all"])
def test_a_page_opens_quietly_and_fits_the_screen(opened: Any, name: str, size: tuple[int, int]) -> None:
    tab = opened(name, size)
    assert tab.complaints == []
    assert tab.requests == [tab.url]
    assert tab.widest() <= size[0]


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("name", ["client", "all"])
def test_axe_finds_nothing_wrong(opened: Any, name: str, scheme: str) -> None:
    assert opened(name, DESK, scheme).violations() == []


# Just under the width at which pages change to a phone's form, and a small phone's.
NARROWEST, NARROW = (360, 740), (575, 800)


@pytest.mark.parametrize("size", [NARROWEST, NARROW, DESK], ids=lambda size: f"{size[0]} px")
def test_every_site_is_seen_with_its_advice_and_reason(opened: Any, size: tuple[int, int]) -> None:
    rows = opened("all", size).page.locator(".ranking tbody tr")
    assert rows.count() == 5
    for number in range(5):
        for cell in ("th", ".advice", ".short"):
            place = rows.nth(number).locator(cell).bounding_box()
            assert place is not None
            assert place["width"] > 30
            assert place["x"] + place["width"] <= size[0]


def test_a_plain_line_a_site_stands_in_the_ranking_and_the_figures_behind_it_below(opened: Any) -> None:
    page = opened("all").page
    lines = page.locator(".ranking .short").all_inner_texts()
    assert lines[0] == "The download is busy much of the time, the upload too. Line 250 would give it room."
    assert not [line for line in lines if "p95" in line or len(line) > 100]
    behind = page.locator(".reasons > li")
    assert behind.count() == 5
    assert "p95 99" in behind.first.inner_text()


LETTERS = """() => [...document.querySelectorAll("svg text")]
    .filter(text => text.getBoundingClientRect().width > 0)
    .map(text => parseFloat(getComputedStyle(text).fontSize) * text.getScreenCTM().a)"""
OVERFLOWING = """() => [...document.querySelectorAll(".scroll, .narrow")]
    .filter(box => box.scrollWidth > box.clientWidth).map(box => box.innerText.slice(0, 40))"""
BLANK = """() => [...document.querySelectorAll("h3 + .scroll")].filter(box => box.clientHeight).map(
    box => box.querySelector("thead th").getBoundingClientRect().bottom
        - box.previousElementSibling.getBoundingClientRect().bottom)"""


@pytest.mark.parametrize("size", [NARROWEST, NARROW], ids=lambda size: f"{size[0]} px")
def test_a_clients_page_can_be_read_on_a_phone(opened: Any, size: tuple[int, int]) -> None:
    page = opened("client", size).page
    letters = page.evaluate(LETTERS)
    assert len(letters) > 20
    assert min(letters) >= 11
    assert page.evaluate(OVERFLOWING) == []
    strips = page.evaluate(BLANK)
    assert len(strips) >= 4
    assert max(strips) < 64  # a heading of two lines


def test_the_ranking_begins_on_the_first_page_in_print(opened: Any, folder: Path) -> None:
    """A hundred sites: more than a page holds."""
    printed = folder / "many.pdf"
    opened("many").page.pdf(path=str(printed), format="A4", prefer_css_page_size=True)
    for page, words in (
        ("1", "Account review"),
        ("1", "Kauri Clinic"),
        ("2", "In short"),
        ("2", "Kauri Clinic"),
    ):
        text = subprocess.run(
            ["pdftotext", "-f", page, "-l", page, str(printed), "-"],
            capture_output=True,
            text=True,
            check=True,
        ).stdout
        assert words in text, (page, words)
