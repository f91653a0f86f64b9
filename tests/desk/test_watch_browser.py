"""What the desk shows of a watch, in Chromium: how it looks to axe, on a phone too, and that a form acknowledges."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from typing import Any, Final

import pytest
import uvicorn
from playwright.sync_api import expect

from flowdiag.desk.application import application
from flowdiag.desk.desk import Desk
from flowdiag.watch.ledgers.opening import open_ledger
from flowdiag.watch.silenced import read_silences
from tests.browser import DESK, PHONE, Opened
from tests.desk.test_watch_pages import DRILL_KEY, HARBOUR, KEYS
from tests.desk.test_watch_pages import desk as desk
from tests.desk.test_watch_pages import played as played
from tests.desk.test_watch_pages import watched as watched

pytestmark = pytest.mark.slow
PAGES: Final = (
    "/all-sites",
    "/events?of=week",
    "/morning",
    f"/sites/ferries.point/drills/{DRILL_KEY}",
    "/sites/ferries.point",
)


@pytest.fixture(scope="module")
def address(desk: Desk) -> Iterator[str]:
    server = uvicorn.Server(uvicorn.Config(application(desk), host="127.0.0.1", port=0, log_level="warning"))
    serving = threading.Thread(target=server.run)
    serving.start()
    while not server.started:
        assert serving.is_alive()
        time.sleep(0.05)
    port = server.servers[0].sockets[0].getsockname()[1]
    yield f"http://127.0.0.1:{port}"
    server.should_exit = True
    serving.join(20)


@pytest.fixture(scope="module")
def signed_in(browser: Any, desk: Desk, address: str) -> Any:
    page = browser.new_page()
    page.goto(f"{address}{desk.link.make()}")
    page.close()
    return browser


@pytest.mark.parametrize("size", [PHONE, DESK], ids=["phone", "desk"])
@pytest.mark.parametrize("path", PAGES)
def test_a_page_fits_and_axe_finds_nothing_wrong(
    signed_in: Any, address: str, path: str, size: tuple[int, int]
) -> None:
    tab = Opened(signed_in, f"{address}{path}", size, "light")
    expect(tab.page.locator("progress")).to_have_count(0)  # nobody waits any more
    assert tab.complaints == []
    assert tab.widest() <= size[0]
    assert tab.violations() == []
    tab.page.close()


def test_a_form_acknowledges(signed_in: Any, address: str, watched: str) -> None:
    page = Opened(signed_in, f"{address}/all-sites", DESK, "light").page
    row = page.locator(f'tr:has(form[action="/incidents/{KEYS[HARBOUR]}/silence"])')
    row.locator("summary").click()
    row.get_by_label("Reason").fill("mended tonight")
    row.get_by_role("button", name="Acknowledge").click()
    expect(page.locator("body")).to_contain_text("Acknowledged by")
    assert [one.reason for one in read_silences(open_ledger(watched)) if one.key == KEYS[HARBOUR]] == [
        "mended tonight"
    ]
    page.close()
