"""What holds for all tests: the examples that hypothesis draws, the order of tests, the demo, pages in a browser.

Examples may take their time on a busy machine. They are the same in every run, so that a run tells of a change and not
of luck; `--hypothesis-profile=random` draws others, and more of them.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import settings

from flowdiag.cli.demo import write_demo

settings.register_profile("repeatable", deadline=None, derandomize=True)
settings.register_profile("random", deadline=None, max_examples=1000, print_blob=True)
settings.load_profile("repeatable")


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Slow tests come first: at the end nobody waits for one of them, and other tests fill the time they wait in. Those that
    wait for what goes on in the background come last."""
    items.sort(key=lambda item: (_is(item, "last"), not _is(item, "slow")))


def _is(item: pytest.Item, marker: str) -> bool:
    return item.get_closest_marker(marker) is not None


@pytest.fixture(scope="session")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """The demo's exports and profile, made once for all tests: those that change them work on a copy."""
    folder = tmp_path_factory.mktemp("demo")
    write_demo(folder)
    made = {path: path.read_bytes() for path in folder.iterdir()}
    yield folder
    assert {path: path.read_bytes() for path in folder.iterdir()} == made


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
