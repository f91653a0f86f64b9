"""Picking a time on a picture, in Chromium on a running desk: by mouse, by touch, by keys alone, on a desk and on a phone."""

from __future__ import annotations

import re
import threading
import time
from collections.abc import Callable, Iterator
from datetime import datetime
from importlib.resources import files
from pathlib import Path
from typing import Any, Final
from urllib.parse import parse_qs, urlsplit

import pytest
import uvicorn

from flowdiag.desk.access.sessions import COOKIE
from flowdiag.desk.application import application
from flowdiag.desk.desk import Desk
from flowdiag.desk.pages import closer
from flowdiag.desk.people import EVERY_SITE, Person
from flowdiag.desk.settings import Settings
from tests.browser import DESK, PHONE
from tests.desk.conftest import StoreAndSites

pytestmark = pytest.mark.slow
SITE: Final = "kowhai-group.harbour"
FROM, TO = "2026-03-03T02:00:00Z", "2026-03-03T03:00:00Z"
HOUR_S: Final = 3600.0
STEP_S: Final = 15  # of an hour, as static/picking.js has it


@pytest.fixture(scope="module")
def address(
    store_and_sites: StoreAndSites, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[tuple[str, str]]:
    """A desk that listens, and the key of a session of it."""
    state = tmp_path_factory.mktemp("picking")
    desk = Desk(Settings(str(store_and_sites.store), store_and_sites.sites, state, jobs=2))
    server = uvicorn.Server(uvicorn.Config(application(desk), host="127.0.0.1", port=0, log_level="warning"))
    serving = threading.Thread(target=server.run)
    serving.start()
    while not server.started:
        assert serving.is_alive()
        time.sleep(0.05)
    port = server.servers[0].sockets[0].getsockname()[1]
    session = desk.sessions.begin(Person("kim", frozenset({"helpdesk"}), (EVERY_SITE,)))
    yield f"http://127.0.0.1:{port}", session.key
    server.should_exit = True
    serving.join(20)


class Tab:
    """A page of the desk, with whatever the browser complained about and asked for elsewhere."""

    def __init__(self, browser: Any, origin: str, size: tuple[int, int], scheme: str, *, touch: bool) -> None:
        self.context = browser.new_context(
            viewport={"width": size[0], "height": size[1]}, color_scheme=scheme, has_touch=touch
        )
        self.page = self.context.new_page()
        self.complaints: list[str] = []
        self.page.on("console", lambda message: self.complaints.append(message.text))
        self.page.on("pageerror", lambda error: self.complaints.append(str(error)))
        self.page.on("request", lambda request: self.asked(request.url))
        self.origin = origin

    def asked(self, url: str) -> None:
        if not url.startswith(self.origin):
            self.complaints.append(f"asked elsewhere: {url}")

    def show(self, path: str) -> Any:
        self.page.goto(f"{self.origin}{path}")
        self.page.wait_for_selector("figure.pick .picking", state="attached")
        return self.page

    @property
    def layer(self) -> Any:
        return next(one for one in self.page.query_selector_all(".pick-layer") if one.is_visible())

    def violations(self) -> list[Any]:
        self.page.evaluate((files("axe_playwright_python") / "axe.min.js").read_text(encoding="utf-8"))
        found = self.page.evaluate("axe.run({resultTypes: ['violations']})")
        return [(one["id"], [node["target"] for node in one["nodes"]][:3]) for one in found["violations"]]


@pytest.fixture(scope="module")
def chrome(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    import shutil

    from playwright.sync_api import sync_playwright

    from tests.browser import FLAGS

    with sync_playwright() as browsers:
        started = browsers.chromium.launch(executable_path=shutil.which("chromium"), args=[*FLAGS])
        yield started
        started.close()


Show = Callable[..., Tab]


@pytest.fixture
def tab(chrome: Any, address: tuple[str, str]) -> Iterator[Show]:
    """Opens the closer page of an hour."""
    tabs: list[Tab] = []
    origin, key = address

    def show(
        size: tuple[int, int] = DESK, scheme: str = "light", *, touch: bool = False, path: str = ""
    ) -> Tab:
        one = Tab(chrome, origin, size, scheme, touch=touch)
        one.context.add_cookies(
            [
                {
                    "name": COOKIE,
                    "value": key,
                    "domain": "127.0.0.1",
                    "path": "/",
                    "secure": True,
                    "httpOnly": True,
                }
            ]
        )
        tabs.append(one)
        one.show(path or f"/sites/{SITE}/closer?from={FROM}&to={TO}")
        return one

    yield show
    for one in tabs:
        one.context.close()
        assert one.complaints == []


def times_of(url: str) -> tuple[datetime, datetime]:
    query = parse_qs(urlsplit(url).query)
    begin, end = (datetime.fromisoformat(query[name][0]) for name in ("from", "to"))
    return begin, end


def parts_of(url: str) -> tuple[float, float]:
    """Where of the hour the picked time begins and ends, 0 to 1."""
    first = datetime.fromisoformat(FROM)
    begin, end = ((moment - first).total_seconds() / HOUR_S for moment in times_of(url))
    return begin, end


def drag(one: Tab, begin: float, end: float) -> None:
    one.layer.scroll_into_view_if_needed()
    box = one.layer.bounding_box()
    mouse, y = one.page.mouse, box["y"] + box["height"] / 3
    mouse.move(box["x"] + begin * box["width"], y)
    mouse.down()
    mouse.move(box["x"] + (begin + end) / 2 * box["width"], y + 5)
    mouse.move(box["x"] + end * box["width"], y + 5)
    mouse.up()


@pytest.mark.parametrize("size", [DESK, PHONE])
@pytest.mark.parametrize(("begin", "end"), [(0.25, 0.5), (0.75, 0.25)])
def test_a_time_is_dragged_over_and_looked_at_closer(
    size: tuple[int, int], begin: float, end: float, tab: Show
) -> None:
    one = tab(size)
    drag(one, begin, end)
    link = one.page.query_selector(".picking .picked a")
    parts = parts_of(link.evaluate("link => link.href"))
    pixel = 1.5 / one.layer.bounding_box()["width"]
    assert parts == pytest.approx(sorted((begin, end)), abs=pixel + STEP_S / HOUR_S)
    said = one.page.query_selector(".picking output").text_content()
    # The site's own clock: Auckland, thirteen hours ahead in March.
    assert re.fullmatch(r"\d\d:\d\d:\d\d \u2013 \d\d:\d\d:\d\d", said)
    link.click()
    one.page.wait_for_url("**/closer?**from=*")
    assert parts_of(one.page.url) == parts
    one.page.go_back()
    assert times_of(one.page.url) == tuple(map(datetime.fromisoformat, (FROM, TO)))


def test_what_is_told_is_the_sites_own_clock(tab: Show, store_and_sites: StoreAndSites) -> None:
    one = tab()
    zone = one.page.eval_on_selector("figure.pick", "figure => figure.dataset.zone")
    profile = Path(store_and_sites.sites, "kowhai-group", "harbour.toml").read_text(encoding="utf-8")
    assert f'timezone = "{zone}"' in profile or zone == "UTC"
    drag(one, 0.0, 1.0)
    from zoneinfo import ZoneInfo

    told = [
        datetime.fromisoformat(text).astimezone(ZoneInfo(zone)).strftime("%H:%M:%S") for text in (FROM, TO)
    ]
    assert one.page.query_selector(".picking output").text_content() == " \u2013 ".join(told)


def test_a_click_picks_nothing_and_an_edge_can_be_moved(tab: Show) -> None:
    one = tab()
    drag(one, 0.5, 0.5)
    assert not one.page.query_selector(".picking .picked").is_visible()
    drag(one, 0.25, 0.5)
    drag(one, 0.5, 0.75)  # the later edge
    parts = parts_of(one.page.query_selector(".picking .picked a").evaluate("link => link.href"))
    assert parts == pytest.approx((0.25, 0.75), abs=0.01)


def test_before_anything_is_picked_it_is_said_how_and_buttons_are_told_apart(tab: Show) -> None:
    one = tab()
    hint = one.page.query_selector("#how-to-pick")
    assert hint.is_visible()
    assert "Drag over a picture" in hint.text_content()
    names = one.page.eval_on_selector_all(
        ".picking .begin", "found => found.map((button) => button.getAttribute('aria-label'))"
    )
    assert len(set(names)) == len(names) > 0
    assert all(name.startswith("Pick a time on the picture: ") for name in names)


def test_by_keys_alone(tab: Show) -> None:
    one = tab()
    keys = one.page.keyboard
    for _ in range(40):
        keys.press("Tab")
        if one.page.evaluate("document.activeElement.matches('.picking .begin')"):
            break
    keys.press("Enter")
    edge = "document.activeElement.getAttribute('aria-{}')"
    assert one.page.evaluate(edge.format("label")) == "Begin of the picked time"
    assert re.fullmatch(r"\d\d:\d\d:\d\d", one.page.evaluate(edge.format("valuetext")))
    now = int(one.page.evaluate(edge.format("valuenow")))
    for key, steps in (("ArrowRight", 1), ("ArrowLeft", 0), ("PageDown", -10), ("Shift+ArrowRight", -9)):
        keys.press(key)
        assert int(one.page.evaluate(edge.format("valuenow"))) == now + steps * STEP_S * 1000
    keys.press("Home")
    keys.press("Tab")  # to the other edge
    assert one.page.evaluate(edge.format("label")) == "End of the picked time"
    keys.press("End")
    keys.press("ArrowLeft")
    keys.press("Enter")
    one.page.wait_for_function("location.search.includes('%3A')")
    begin, end = parts_of(one.page.url)
    assert (begin, round((1.0 - end) * HOUR_S)) == (0.0, STEP_S)


def test_escape_clears_it(tab: Show) -> None:
    one = tab()
    one.page.click(".picking .begin")
    assert one.page.query_selector(".picking .picked").is_visible()
    one.page.keyboard.press("Escape")
    assert not one.page.query_selector(".picking .picked").is_visible()
    assert one.page.evaluate("document.activeElement.matches('.picking .begin')")


def test_edges_never_cross_nor_leave_the_picture(tab: Show) -> None:
    one = tab()
    one.page.click(".picking .begin")
    for key in ("End", "PageUp", "Shift+PageUp", "Shift+PageUp", *["Shift+PageUp"] * 12):
        one.page.keyboard.press(key)
    begin, end = parts_of(one.page.query_selector(".picking .picked a").evaluate("link => link.href"))
    assert end == 1.0
    assert round((end - begin) * HOUR_S) == STEP_S


def test_by_touch_and_the_page_still_scrolls(tab: Show) -> None:
    one = tab(PHONE, touch=True)
    assert one.layer.evaluate("layer => getComputedStyle(layer).touchAction") == "pan-y"
    box = one.layer.bounding_box()
    touch = one.context.new_cdp_session(one.page)
    y = box["y"] + box["height"] / 3

    def send(kind: str, part: float) -> None:
        points = [] if kind == "touchEnd" else [{"x": box["x"] + part * box["width"], "y": y}]
        touch.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": points})

    send("touchStart", 0.25)
    for part in (0.3, 0.4, 0.5):
        send("touchMove", part)
    send("touchEnd", 0.5)
    parts = parts_of(one.page.query_selector(".picking .picked a").evaluate("link => link.href"))
    assert parts == pytest.approx((0.25, 0.5), abs=0.02)


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("size", [DESK, PHONE])
def test_nothing_is_in_the_way_of_anybody(size: tuple[int, int], scheme: str, tab: Show) -> None:
    one = tab(size, scheme)
    one.page.wait_for_function("!document.querySelector('[data-work]')")
    assert one.violations() == []
    one.page.click(".picking .begin")
    assert one.violations() == []
    widths = one.page.evaluate("[document.documentElement.scrollWidth, document.body.scrollWidth]")
    assert max(widths) <= size[0]
    assert len(one.page.content().encode()) < 150_000


def test_on_the_pictures_of_a_note_too(tab: Show, address: tuple[str, str]) -> None:
    one = tab(path=f"/sites/{SITE}/note?from={FROM}&to={TO}")
    assert "/notes/" in one.page.url
    drag(one, 0.4, 0.6)
    link = one.page.query_selector(".picking .picked a")
    axis = one.page.eval_on_selector(
        "figure.pick", "figure => [figure.dataset.begin, figure.dataset.end].map(Number)"
    )
    begin, end = (moment.timestamp() * 1000 for moment in times_of(link.evaluate("link => link.href")))
    length = axis[1] - axis[0]
    assert ((begin - axis[0]) / length, (end - axis[0]) / length) == pytest.approx((0.4, 0.6), abs=0.01)
    assert one.violations() == []
    link.click()
    one.page.wait_for_url("**/closer?**")
    whole = one.page.query_selector(f"a[href*='/sites/{SITE}/note?']")
    assert whole is not None


def test_rankings_that_come_later_leave_what_was_picked(tab: Show, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(closer, "PATIENCE_S", 0.0)  # so that they come later however quick the machine is
    one = tab(path=f"/sites/{SITE}/closer?from={FROM}&to=2026-03-03T03:05:00Z&by=packets")
    one.page.evaluate("window.stays = true")
    drag(one, 0.25, 0.5)
    one.page.wait_for_selector(".rankings table")
    assert one.page.evaluate("window.stays")
    assert one.page.query_selector(".picking .picked").is_visible()
