"""From the sign-in link to the pasted note in a real Chromium: by mouse, by keyboard alone, on a phone, without script."""

from __future__ import annotations

import re
from collections.abc import Iterator

import pytest
from playwright.sync_api import BrowserContext, Page, expect

from tests.browser import DESK, PHONE, Opened, chromium
from tests.desk.conftest import StoreAndSites
from tests.desk.running import RunningDesk

WHEN, SAID, TICKET = "3 March 2026 09:00 to 10:00", "video calls freeze", "T-1042"
WITHIN_MS = 60_000
LARGEST_PAGE = 150_000  # octets of a page with all that it loads
SOON_MS = 1_000  # until a page can be used, on loopback


@pytest.fixture(scope="module")
def desk(tmp_path_factory: pytest.TempPathFactory, store_and_sites: StoreAndSites) -> Iterator[RunningDesk]:
    folder = tmp_path_factory.mktemp("journey")
    given = ("--store", store_and_sites.store, "--sites", store_and_sites.sites, "--state", folder / "state")
    with RunningDesk(folder, *given) as running:
        yield running


@pytest.fixture(scope="module")
def browser(tmp_path_factory: pytest.TempPathFactory, desk: RunningDesk) -> Iterator[BrowserContext]:
    with chromium(tmp_path_factory.mktemp("profile")) as started:
        started.grant_permissions(["clipboard-read", "clipboard-write"], origin=desk.url)
        page = started.new_page()
        page.goto(desk.link)
        yield started


@pytest.fixture
def page(browser: BrowserContext, desk: RunningDesk) -> Iterator[Page]:
    opened = browser.new_page()
    opened.set_default_timeout(WITHIN_MS)
    wrong: list[str] = []
    opened.on("console", lambda message: wrong.append(message.text))
    opened.on("pageerror", lambda error: wrong.append(str(error)))
    opened.on(
        "request", lambda request: wrong.append(request.url) if not request.url.startswith(desk.url) else None
    )
    opened.goto(desk.url)
    yield opened
    assert wrong == []
    opened.close()


def pasted(page: Page) -> str:
    text: str = page.evaluate("navigator.clipboard.readText()")
    return text


def test_the_link_signs_in_once(desk: RunningDesk, browser: BrowserContext) -> None:
    other = browser.new_page()
    answer = other.goto(desk.link)
    assert answer is not None
    assert answer.status == 403
    other.close()


@pytest.mark.parametrize("size", [DESK, PHONE])
def test_by_mouse(page: Page, size: tuple[int, int]) -> None:
    page.set_viewport_size({"width": size[0], "height": size[1]})
    page.get_by_label("Name, client, label").press_sequentially("kow")
    expect(page.locator("ul.sites li")).to_have_count(1)
    page.get_by_role("link", name="Kowhai Harbour Depot").click()
    page.get_by_label("When was it slow?").fill(WHEN)
    page.get_by_label("What did the client say?").fill(SAID)
    page.get_by_label("Ticket reference").fill(TICKET)
    page.get_by_role("button", name="Read the note").click()
    page.wait_for_url(re.compile("/notes/"))
    page.get_by_role("button", name="Copy as text").click()
    expect(page.get_by_role("status")).to_have_text("Copied")
    text = pasted(page)
    assert text.startswith(f"Ticket note {TICKET}: Kowhai Harbour Depot")
    assert SAID in text
    assert "What happens next" in text
    assert "192.168" not in text
    page.get_by_role("button", name="Copy as Markdown").click()
    assert pasted(page).startswith("#")
    assert page.evaluate("document.documentElement.scrollWidth") <= size[0]
    assert (
        page.locator("main .client").bounding_box()["y"]
        < page.locator("main figure").first.bounding_box()["y"]
    )


def test_by_keyboard_alone(page: Page) -> None:
    page.keyboard.type("bakery")
    expect(page.locator("ul.sites li")).to_have_count(1)
    tab_to(page, "Corner Bakery")
    page.keyboard.press("Enter")
    page.wait_for_url(re.compile("/sites/corner$"))
    tab_to(page, "when")
    page.keyboard.press("Control+A")
    page.keyboard.type(WHEN)
    page.keyboard.press("Tab")
    page.keyboard.type(SAID)
    page.keyboard.press("Tab")
    page.keyboard.type(TICKET)
    page.keyboard.press("Enter")
    page.wait_for_url(re.compile("/notes/"))
    tab_to(page, "Copy as text")
    page.keyboard.press("Enter")
    expect(page.get_by_role("status")).to_have_text("Copied")
    assert SAID in pasted(page)


def tab_to(page: Page, name: str) -> None:
    """Tab until what has that text or id has the focus, which shows."""
    for _ in range(40):
        page.keyboard.press("Tab")
        focused = page.evaluate(
            "(document.activeElement.textContent || '').trim() + '|' + document.activeElement.id"
        )
        if name in focused.split("|"):
            outline = page.evaluate("getComputedStyle(document.activeElement).outlineStyle")
            assert outline == "solid"
            return
    raise AssertionError(f"the keyboard does not get to {name}")


def test_a_wrong_time_is_said_and_what_was_typed_stays(desk: RunningDesk, browser: BrowserContext) -> None:
    page = browser.new_page()
    page.goto(f"{desk.url}/sites/corner")
    page.get_by_label("When was it slow?").fill("at the crack of dawn")
    page.get_by_label("What did the client say?").fill(SAID)
    with page.expect_response(re.compile("/ask")) as answered:
        page.get_by_role("button", name="Read the note").click()
    assert answered.value.status == 400
    expect(page.get_by_role("alert")).to_contain_text("crack of dawn")
    expect(page.get_by_label("What did the client say?")).to_have_value(SAID)
    page.close()


def test_without_script(desk: RunningDesk, browser: BrowserContext) -> None:
    page = browser.new_page()
    browser.new_cdp_session(page).send("Emulation.setScriptExecutionDisabled", {"value": True})
    page.goto(desk.url)
    page.get_by_label("Name, client, label").fill("kow")
    page.get_by_role("button", name="Search").click()
    page.get_by_role("link", name="Kowhai Harbour Depot").click()
    page.get_by_label("When was it slow?").fill(WHEN)
    page.get_by_role("button", name="Read the note").click()
    page.wait_for_url(re.compile("/notes/"), timeout=WITHIN_MS)
    expect(page.get_by_label("The client's part, to paste")).to_contain_text("What we saw")
    page.close()


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("size", [DESK, PHONE])
@pytest.mark.parametrize("path", ["/", "/sites/corner", "/nowhere", "note"])
def test_pages_are_for_everybody_small_and_quick(
    desk: RunningDesk, browser: BrowserContext, path: str, size: tuple[int, int], scheme: str
) -> None:
    address = (
        f"{desk.url}{path}"
        if path != "note"
        else f"{desk.url}/sites/corner/note?from=2026-03-03T09:00&to=2026-03-03T10:00"
    )
    opened = Opened(browser, address, size, scheme)
    opened.page.wait_for_load_state()
    if path == "note":
        opened.page.wait_for_url(re.compile("/notes/"), timeout=WITHIN_MS)
    assert opened.violations() == []
    assert opened.widest() <= size[0]
    timing = opened.page.evaluate("performance.getEntriesByType('navigation')[0].toJSON()")
    loaded = opened.page.evaluate("performance.getEntriesByType('resource').map(one => one.transferSize)")
    assert timing["transferSize"] + sum(loaded) < LARGEST_PAGE
    assert timing["domInteractive"] - timing["responseStart"] < SOON_MS
    opened.page.close()
