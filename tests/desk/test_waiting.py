"""An answer that takes longer: how far it is, and that it ends when nobody waits for it."""

from __future__ import annotations

import re
import socket
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest
import uvicorn
from playwright.sync_api import expect
from starlette.applications import Starlette
from starlette.responses import PlainTextResponse, Response

from flowdiag.desk import application as module
from flowdiag.desk.access.form_tokens import shown
from flowdiag.desk.access.sessions import COOKIE
from flowdiag.desk.application import application
from flowdiag.desk.asked import Asked
from flowdiag.desk.desk import Desk
from flowdiag.desk.pages import front, sign_in, style, waiting
from flowdiag.desk.pages.waiting import answer_or_wait
from flowdiag.desk.people import STAFF, Person
from flowdiag.desk.routing import Page
from flowdiag.desk.settings import Settings
from tests.browser import DESK, chromium
from tests.desk.conftest import StoreAndSites
from tests.desk.questions import Sleep

WITHIN_S = 30.0


async def slow(asked: Asked) -> Response:
    seconds = float(asked.query("seconds") or 0)
    found: Any = await answer_or_wait(asked, Sleep(seconds), "Slow")
    return found if isinstance(found, Response) else PlainTextResponse(f"worked out by {found}")


class Served:
    """A desk with a slow page, in threads of this process."""

    def __init__(self, desk: Desk, port: int) -> None:
        self.desk = desk
        self.url = f"http://127.0.0.1:{port}"

    def wait_until(self, true: Callable[[], bool]) -> None:
        until = time.monotonic() + WITHIN_S
        while not true():
            assert time.monotonic() < until
            time.sleep(0.05)

    @property
    def running(self) -> int:
        return len(self.desk.answers._running)


@pytest.fixture
def served(
    tmp_path: Path, store_and_sites: StoreAndSites, monkeypatch: pytest.MonkeyPatch
) -> Iterator[Served]:
    pages = (Page("/slow", slow, roles=STAFF), *front.PAGES, *sign_in.PAGES, *waiting.PAGES, *style.PAGES)
    monkeypatch.setattr(module, "PAGES", pages)
    desk = Desk(Settings(str(store_and_sites.store), store_and_sites.sites, tmp_path / "state", jobs=2))
    app: Starlette = application(desk)
    with socket.create_server(("127.0.0.1", 0)) as listening:
        server = uvicorn.Server(uvicorn.Config(app, log_config=None, timeout_graceful_shutdown=2))
        thread = threading.Thread(target=server.run, args=([listening],))
        thread.start()
        yield Served(desk, listening.getsockname()[1])
        server.should_exit = True
        thread.join(WITHIN_S)
        assert not thread.is_alive()


def test_a_person_sees_how_far_it_is_gets_the_answer_and_may_leave(served: Served, tmp_path: Path) -> None:
    with chromium(tmp_path / "profile") as browser:
        page = browser.new_page()
        page.goto(served.url + served.desk.link.make())
        page.set_viewport_size({"width": DESK[0], "height": DESK[1]})
        wrong: list[str] = []
        page.on("console", lambda message: wrong.append(f"{message.text} {message.location}"))

        page.goto(f"{served.url}/slow?seconds=4")
        expect(page.get_by_role("status")).to_have_text(re.compile(r"Looking at the records: \d+"))
        assert 0 < float(page.get_by_role("progressbar").get_attribute("value") or 0) < 1
        expect(page.locator("body")).to_contain_text("worked out by", timeout=WITHIN_S * 1000)

        page.goto(f"{served.url}/slow?seconds=60")
        assert served.running == 1
        began = time.monotonic()
        page.get_by_role("button", name="Leave it").click()
        served.wait_until(lambda: served.running == 0)

        page.goto(f"{served.url}/slow?seconds=61")
        assert served.running == 1
        page.goto("about:blank")  # the tab goes elsewhere, and its script says so
        served.wait_until(lambda: served.running == 0)
        assert time.monotonic() - began < 15
        assert wrong == []


def test_one_who_leaves_takes_nothing_from_others(served: Served, tmp_path: Path) -> None:
    session = served.desk.sessions.begin(Person("another", STAFF, ("*",)))
    other = httpx.Client(base_url=served.url, headers={"Cookie": f"{COOKIE}={session.key}"})
    with chromium(tmp_path / "profile") as browser, other:
        page = browser.new_page()
        page.goto(served.url + served.desk.link.make())
        page.goto(f"{served.url}/slow?seconds=5")
        key = page.locator("[data-work]").get_attribute("data-work")
        assert other.get("/slow?seconds=5").status_code == 202
        assert served.running == 1
        left = other.post(f"/answers/{key}/leave", data={"form_token": shown(session.form_token)})
        assert left.status_code == 204
        assert other.get(f"/answers/{key}").json() == {"over": True}
        expect(page.locator("body")).to_contain_text("worked out by", timeout=WITHIN_S * 1000)
