"""The review's pages in a real Chromium: nothing fetched, no error, no sideways scrolling, accessible."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

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
