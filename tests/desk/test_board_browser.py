"""The board in Chromium on a running desk: how it looks to axe, and that it follows what changes without being loaded anew."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from importlib.resources import files
from typing import Any, Final

import pytest
import uvicorn
from msgspec import Struct
from playwright.sync_api import expect

from flowdiag.desk.application import application
from flowdiag.desk.asking.look_question import Seen
from flowdiag.desk.board import Board
from flowdiag.desk.desk import Desk
from flowdiag.desk.settings import Settings
from flowdiag.watch.state import DayState, Mark, SiteState, Spell
from tests.browser import DESK, PHONE
from tests.desk.conftest import StoreAndSites

pytestmark = pytest.mark.slow
HOUR_MS: Final = 3_600_000
WITHIN_MS: Final = 20_000


class Served(Struct, frozen=True):
    desk: Desk
    address: str


@pytest.fixture(scope="module")
def board(store_and_sites: StoreAndSites, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    """A desk that does not look by itself: what its sites are on is said by the tests."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(Board, "begin", lambda self, answers: None)
        desk = Desk(
            Settings(
                str(store_and_sites.store), store_and_sites.sites, tmp_path_factory.mktemp("board"), jobs=2
            )
        )
        server = uvicorn.Server(
            uvicorn.Config(application(desk), host="127.0.0.1", port=0, log_level="warning")
        )
        serving = threading.Thread(target=server.run)
        serving.start()
        while not server.started:
            assert serving.is_alive()
            time.sleep(0.05)
        port = server.servers[0].sockets[0].getsockname()[1]
        yield Served(desk, f"http://127.0.0.1:{port}")
        server.should_exit = True
        serving.join(20)


def see(served: Served, key: str, on: Any, *codes: str) -> None:
    now = time.time_ns() // 1_000_000
    marks = tuple(
        Mark(code, "critical", "high", "line", None, now - HOUR_MS // 2, None, False, "It was so.", "So.")
        for code in codes
    )
    spells = (
        Spell("main", now - 24 * HOUR_MS, now - 9 * HOUR_MS),
        Spell("unheard", now - 9 * HOUR_MS, now - 8 * HOUR_MS),
        Spell("quiet", now - 8 * HOUR_MS, now - HOUR_MS // 2),
        Spell(on, now - HOUR_MS // 2, now),
    )
    state = SiteState(on, now - HOUR_MS // 2, now, now, now + HOUR_MS, marks)
    served.desk.board._take(Seen(key, "files", now=state), False, now)
    served.desk.board._take(
        Seen(key, "files", day=DayState(now - 24 * HOUR_MS, now, spells, marks)), True, now
    )


@pytest.fixture
def context(browser: Any, board: Served) -> Any:
    """A browser in which somebody has signed in, and three sites of which something is known."""
    see(board, "corner", "main")
    see(board, "kowhai-group.harbour", "backup", "on-backup", "keepalive-missing")
    see(board, "rata-group.mill-road", "down", "outage")
    page = browser.new_page()
    page.goto(board.address + board.desk.link.make())
    page.close()
    return browser


@pytest.mark.parametrize("size", [DESK, PHONE])
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_axe_finds_nothing(context: Any, board: Served, size: tuple[int, int], scheme: Any) -> None:
    page = context.new_page()
    wrong: list[str] = []
    page.on("console", lambda message: wrong.append(message.text))
    page.on("pageerror", lambda error: wrong.append(str(error)))
    page.set_viewport_size({"width": size[0], "height": size[1]})
    page.emulate_media(color_scheme=scheme)
    for path in ("/all-sites", "/all-sites?state=down&when=day", "/sites/rata-group.mill-road"):
        page.goto(board.address + path)
        page.evaluate((files("axe_playwright_python") / "axe.min.js").read_text(encoding="utf-8"))
        found = page.evaluate("axe.run({resultTypes: ['violations']})")
        assert [(one["id"], one["impact"]) for one in found["violations"]] == []
        assert page.evaluate("document.documentElement.scrollWidth") <= size[0]
    assert wrong == []
    page.close()


def test_the_list_follows_what_changes_and_keeps_where_one_is(context: Any, board: Served) -> None:
    page = context.new_page()
    page.goto(f"{board.address}/all-sites")
    assert page.locator("#board tbody th a").all_inner_texts() == [
        "Rata Mill Road", "Kowhai Harbour Depot", "Corner Bakery",
    ]  # fmt: skip
    page.locator("#board a", has_text="Corner Bakery").focus()
    see(board, "corner", "down", "outage", "keepalive-missing")
    page.evaluate("document.dispatchEvent(new Event('visibilitychange'))")
    expect(page.locator("#board tbody tr").first.locator("th a")).to_have_text(
        "Corner Bakery", timeout=WITHIN_MS
    )
    assert page.evaluate("document.activeElement.textContent") == "Corner Bakery"
    expect(page.locator("#counts")).to_contain_text("down: 2 sites")
    page.close()


def test_a_desk_that_does_not_answer_is_said(context: Any, board: Served) -> None:
    page = context.new_page()
    page.goto(f"{board.address}/all-sites")
    page.route("**/all-sites/changes*", lambda route: route.abort())
    page.evaluate("document.dispatchEvent(new Event('visibilitychange'))")
    expect(page.locator("#age")).to_contain_text("does not answer", timeout=WITHIN_MS)
    page.close()


def test_filters_are_addresses_that_work_without_script(context: Any, board: Served) -> None:
    page = context.new_page()
    page.route("**/*.js", lambda route: route.abort())
    page.goto(f"{board.address}/all-sites")
    page.select_option("#client", "kowhai-group")
    page.select_option("#when", "day")
    page.get_by_role("button", name="Show").click()
    expect(page.locator("#board tbody th a")).to_have_text(["Kowhai Harbour Depot"])
    page.locator("#counts a", has_text="backup silent").click()
    assert page.url.endswith("/all-sites?client=kowhai-group&state=silent&when=day")
    page.close()
