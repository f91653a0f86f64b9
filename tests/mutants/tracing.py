"""Which test runs which line of the program: seen while the tests run over the sound program.

Only what a test runs can make it notice a mutant. So each mutant gets the tests that come by its line, and a line that
none comes by needs no run to be known as untested.
"""

from __future__ import annotations

import json
import sys
import threading
import time
from collections import Counter
from collections.abc import Generator
from dataclasses import dataclass
from pathlib import Path
from types import CodeType, FrameType
from typing import Any, Final

import pytest

# What runs when a module is loaded, such as the value of a constant, is seen by every test that runs any of its lines.
LOADING: Final = "<module>"
# Lines of a function are looked at in so many calls a test: what runs once for each octet would take minutes.
MOST_CALLS: Final = 1000


@dataclass(frozen=True)
class Seen:
    """One test: its name for pytest, the seconds it took (traced), and the lines that it ran by module."""

    test: str
    seconds: float
    lines: dict[str, frozenset[int]]


class Tracer:
    """A plugin of pytest that keeps what each test runs. root: of the checkout; modules: paths below it to look at."""

    def __init__(self, root: Path, modules: frozenset[str]) -> None:
        self._known = {str(root / module): module for module in modules}
        self._ran: dict[str, set[int]] = {}
        self._calls: Counter[CodeType] = Counter()
        self.seen: list[Seen] = []

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_protocol(self, item: pytest.Item) -> Generator[None, object, object]:
        self._ran = {}
        self._calls.clear()
        begun = time.process_time()
        threading.settrace(self._called)
        sys.settrace(self._called)
        try:
            return (yield)
        finally:
            sys.settrace(None)
            threading.settrace(None)  # type: ignore[arg-type] # as its documentation says
            took = time.process_time() - begun
            lines = {name: frozenset(ran) for name, ran in self._ran.items()}
            self.seen.append(Seen(item.nodeid, took, lines))

    def _called(self, frame: FrameType, event: str, arg: Any) -> Any:
        module = self._known.get(frame.f_code.co_filename)
        if module is None or frame.f_code.co_name == LOADING:
            return None
        ran = self._ran.setdefault(module, set())
        ran.add(frame.f_lineno)
        self._calls[frame.f_code] += 1
        if self._calls[frame.f_code] > MOST_CALLS:
            return None

        def at_line(frame: FrameType, event: str, arg: Any) -> Any:
            ran.add(frame.f_lineno)
            return at_line

        return at_line


class Chosen:
    """A plugin of pytest that runs some tests only, in the order in which they are named."""

    def __init__(self, tests: tuple[str, ...]) -> None:
        self._rank = {test: rank for rank, test in enumerate(tests)}

    @pytest.hookimpl(trylast=True)
    def pytest_collection_modifyitems(self, items: list[pytest.Item]) -> None:
        items[:] = sorted(
            (item for item in items if item.nodeid in self._rank), key=lambda item: self._rank[item.nodeid]
        )


def written(seen: list[Seen]) -> str:
    """What was seen as JSON."""
    return json.dumps(
        [[one.test, one.seconds, {name: sorted(ran) for name, ran in one.lines.items()}] for one in seen]
    )


def read(text: str) -> list[Seen]:
    """The contrary of written()."""
    return [
        Seen(test, seconds, {name: frozenset(ran) for name, ran in lines.items()})
        for test, seconds, lines in json.loads(text)
    ]
