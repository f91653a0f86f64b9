"""Accounts and uploads in a real Chromium: looks, a file dropped, one too large, a page left."""

from __future__ import annotations

import re
from base64 import b64encode
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import BrowserContext, Page, expect

from tests.browser import DESK, PHONE, chromium
from tests.desk.conftest import StoreAndSites
from tests.desk.running import RunningDesk

WITHIN_MS = 60_000  # what is worked out takes its time where others need the processors too


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("bringing")


@pytest.fixture(scope="module")
def desk(folder: Path, own_store: StoreAndSites) -> Iterator[RunningDesk]:
    given = ("--store", own_store.store, "--sites", own_store.sites, "--state", folder / "state")
    with RunningDesk(folder, *given) as running:
        yield running


@pytest.fixture(scope="module")
def browser(tmp_path_factory: pytest.TempPathFactory, desk: RunningDesk) -> Iterator[BrowserContext]:
    with chromium(tmp_path_factory.mktemp("profile")) as started:
        started.new_page().goto(desk.link)
        yield started


@pytest.fixture
def page(browser: BrowserContext, desk: RunningDesk) -> Iterator[Page]:
    opened = browser.new_page()
    opened.set_default_timeout(WITHIN_MS)
    wrong: list[str] = []
    opened.on("pageerror", lambda error: wrong.append(str(error)))
    opened.on(
        "request", lambda request: wrong.append(request.url) if not request.url.startswith(desk.url) else None
    )
    yield opened
    assert wrong == []
    opened.close()


def looked_at(page: Page) -> None:
    """Nothing wrong by axe and nothing wider than the screen, on a desk and on a phone, in light and in dark."""
    from importlib.resources import files

    axe = (files("axe_playwright_python") / "axe.min.js").read_text(encoding="utf-8")
    schemes: Any = ("light", "dark")
    for (width, height), scheme in zip((DESK, PHONE), schemes, strict=True):
        page.set_viewport_size({"width": width, "height": height})
        page.emulate_media(color_scheme=scheme)
        page.evaluate(axe)
        found: dict[str, Any] = page.evaluate("axe.run({resultTypes: ['violations']})")
        assert len(found["passes"]) > 15
        assert [(one["id"], one["nodes"][0]["target"]) for one in found["violations"]] == []
        assert page.evaluate("document.documentElement.scrollWidth") <= width
    page.set_viewport_size({"width": DESK[0], "height": DESK[1]})


def dropped(page: Page, content: bytes, name: str) -> None:
    """Drops a file as a person with a mouse does."""
    page.evaluate(
        """([octets, name]) => {
          const carried = new DataTransfer();
          carried.items.add(new File([Uint8Array.from(atob(octets), (one) => one.charCodeAt(0))], name));
          const place = document.querySelector(".drop");
          place.dispatchEvent(new DragEvent("dragover", {dataTransfer: carried, bubbles: true, cancelable: true}));
          place.dispatchEvent(new DragEvent("drop", {dataTransfer: carried, bubbles: true, cancelable: true}));
        }""",
        [b64encode(content).decode(), name],
    )


def test_accounts_are_read_and_sorted(page: Page, desk: RunningDesk) -> None:
    page.goto(f"{desk.url}/accounts")
    expect(page.locator(".accounts tbody tr")).to_have_count(3)
    looked_at(page)
    few, columns = page.locator(".of-few"), page.locator(".of-columns")
    expect(columns).to_be_visible()
    expect(few).to_be_hidden()
    page.set_viewport_size({"width": PHONE[0], "height": PHONE[1]})
    expect(columns).to_be_hidden()
    expect(few).to_contain_text("in the files below")
    page.set_viewport_size({"width": DESK[0], "height": DESK[1]})
    page.get_by_role("link", name="Of plan").click()
    expect(page.locator("th[aria-sort=descending]")).to_contain_text("Of plan")
    page.get_by_role("link", name="Client's page, kowhai-group").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("kowhai-group")
    looked_at(page)
    with page.expect_download() as saved:
        page.get_by_role("link", name="Save as file").click()
    assert saved.value.suggested_filename == "kowhai-group.html"


@pytest.mark.slow
def test_a_file_is_dropped_and_its_note_read(page: Page, desk: RunningDesk, demo: Path, folder: Path) -> None:
    page.goto(f"{desk.url}/upload")
    looked_at(page)
    dropped(page, (demo / "export.ipfix").read_bytes(), "export.ipfix")
    expect(page.get_by_role("heading", name="What is in it")).to_be_visible(timeout=WITHIN_MS)
    looked_at(page)
    page.get_by_label("What the note calls the site").fill("Brought in")
    page.get_by_role("button", name="Read the note").click()
    expect(page.locator(".field .fault").first).to_be_visible()
    looked_at(page)
    expect(page.locator("#zones option").first).to_have_attribute("value", re.compile(r"\w"))
    page.get_by_label("Time zone").fill("Pacific/Auckland")
    for field in page.locator("[name$='_mbps']").all():
        field.fill("100")
    page.get_by_role("button", name="Read the note").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Brought in", timeout=WITHIN_MS)
    looked_at(page)
    page.go_back()
    page.go_forward()
    page.get_by_role("link", name="Change what was said").click()
    expect(page.get_by_label("What the note calls the site")).to_have_value("Brought in")
    page.get_by_role("button", name="Done: delete the file").click()
    page.wait_for_url(f"{desk.url}/upload")
    assert list((folder / "state" / "uploads").iterdir()) == []


def test_what_is_too_large_is_said_before_it_is_sent(page: Page, desk: RunningDesk) -> None:
    page.goto(f"{desk.url}/upload")
    page.evaluate("document.querySelector('form.bring').dataset.largest = '1000'")
    sent: list[str] = []
    page.on("request", lambda request: sent.append(request.method))
    dropped(page, b"\0" * 2000, "large")
    expect(page.get_by_role("status")).to_contain_text("the file is larger than")
    assert "POST" not in sent


def test_a_page_that_is_left_lets_go_of_its_upload(page: Page, desk: RunningDesk, demo: Path) -> None:
    page.goto(f"{desk.url}/upload")
    page.set_input_files("#file", demo / "export.ipfix")
    page.get_by_role("button", name="Read it").click()
    expect(page.get_by_role("heading", name="What is in it")).to_be_visible(timeout=WITHIN_MS)
    key = re.search(r"/upload/([^/]+)", page.url)
    assert key is not None
    page.get_by_role("link", name="Find a site").click()
    line = desk.wait_for_line(f"/upload/{key[1]}/leave")
    assert (line["method"], line["status"]) == ("POST", 204)
    page.go_back()  # soon enough: it is there still
    expect(page.get_by_role("heading", name="What is in it")).to_be_visible(timeout=WITHIN_MS)
