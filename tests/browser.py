"""Pages in a real Chromium (Debian's package chromium), judged by axe-core (WCAG 2.2 A and AA and best practices)."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from importlib.resources import files
from pathlib import Path
from typing import Any

from playwright.sync_api import BrowserContext, Page, sync_playwright

FLAGS = (
    *("--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-sync"),
    *("--disable-background-networking", "--disable-component-update"),
)
PHONE, DESK = (360, 740), (1280, 900)


@contextmanager
def chromium(profile: Path) -> Iterator[BrowserContext]:
    """A browser with an empty profile."""
    program = shutil.which("chromium")
    assert program, "install Debian's package chromium"
    with sync_playwright() as browsers:
        started = browsers.chromium.launch_persistent_context(
            profile, executable_path=program, args=[*FLAGS], headless=True
        )
        yield started
        started.close()


class Opened:
    """A page in a tab, from a file or an address, with whatever the browser complained about or asked for."""

    def __init__(
        self, context: BrowserContext, place: Path | str, size: tuple[int, int], scheme: Any
    ) -> None:
        self.page: Page = context.new_page()
        self.complaints: list[str] = []
        self.requests: list[str] = []
        self.page.on("console", lambda message: self.complaints.append(message.text))
        self.page.on("pageerror", lambda error: self.complaints.append(str(error)))
        self.page.on("request", lambda request: self.requests.append(request.url))
        self.page.set_viewport_size({"width": size[0], "height": size[1]})
        self.page.emulate_media(color_scheme=scheme)
        self.url = place if isinstance(place, str) else place.as_uri()
        self.page.goto(self.url)

    def violations(self) -> list[tuple[str, str, list[Any]]]:
        """What axe finds wrong: rule, how bad, where."""
        self.page.evaluate((files("axe_playwright_python") / "axe.min.js").read_text(encoding="utf-8"))
        found = self.page.evaluate("axe.run({resultTypes: ['violations']})")
        assert len(found["passes"]) > 20
        return [(v["id"], v["impact"], [n["target"] for n in v["nodes"]][:3]) for v in found["violations"]]

    def widest(self) -> int:
        """Pixels that the page takes across."""
        widths = self.page.evaluate("[document.documentElement.scrollWidth, document.body.scrollWidth]")
        return int(max(widths))
