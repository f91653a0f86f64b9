"""What holds for all tests: examples that hypothesis draws may take their time on a busy machine; pages in a browser."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import settings

settings.register_profile("any machine", deadline=None)
settings.load_profile("any machine")


@pytest.fixture(scope="module")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    from tests.browser import chromium  # few tests need it

    with chromium(tmp_path_factory.mktemp("profile")) as started:
        yield started


@pytest.fixture
def opened(browser: Any, folder: Path) -> Iterator[Any]:
    """Opens a page of the test module's own fixture `folder` by its name; closes all of them afterwards."""
    from tests.browser import DESK, Opened

    tabs: list[Opened] = []

    def show(name: str, size: tuple[int, int] = DESK, scheme: str = "light") -> Opened:
        tabs.append(Opened(browser, folder / f"{name}.html", size, scheme))
        return tabs[-1]

    yield show
    for tab in tabs:
        tab.page.close()
