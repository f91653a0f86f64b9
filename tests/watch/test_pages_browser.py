"""The morning list and the page of a drill in a real Chromium: nothing fetched, no error, no sideways scrolling, accessible."""

from __future__ import annotations

from pathlib import Path
from typing import Any, Final

import pytest

from flowdiag.durations import DAY_MS, HOUR_MS
from flowdiag.watch.drill.drill import CallsOver, Drill, Share, Way
from flowdiag.watch.drill.rendering import render_drill
from flowdiag.watch.report import as_html
from flowdiag.watch.report.reasons import (
    GRAVEST_FIRST,
    Acknowledged,
    ListedSite,
    MorningList,
    Reason,
    UnsureSite,
)
from tests.browser import DESK, PHONE
from tests.watch.playing import NOW

LONG: Final = (
    "A client sentence of the length that such sentences have, so that it takes some lines in its cell. " * 2
)
KNOWN: Final = Acknowledged("on-backup", "lte", "ana", "the carrier is on site", NOW + HOUR_MS)


def morning() -> MorningList:
    listed = tuple(
        ListedSite(
            place=f"client/{code}",
            site=f"Site with {code}",
            client="Client",
            timezone="Pacific/Auckland",
            reasons=tuple(
                Reason(one, "lte", NOW - DAY_MS, False, "medium", LONG, LONG, None, KNOWN)
                for one in GRAVEST_FIRST[number : number + 2]
            ),
        )
        for number, code in enumerate(GRAVEST_FIRST)
    )
    unsure = (UnsureSite("x", "Unsure site", "Client", "no-keepalives", "Nothing tests its backup."),)
    return MorningList(NOW, 40, listed, unsure, 28, 1)


def drill() -> Drill:
    ways = tuple(
        Way(direction, 12_345_678, 3.2, 5.1, 30, 4.5, 1234, 2.2, 31.0, 60, 2)  # type: ignore[arg-type]
        for direction in ("down", "up")
    )
    return Drill(
        site="Puriri Point", timezone="Pacific/Auckland", backup="lte", main=("fibre",), stopped_ms=NOW - HOUR_MS - 4000,
        backup_ms=NOW - HOUR_MS, back_ms=NOW, carried_until_ms=NOW, gap_ms=4000, return_gap_ms=700,
        calls=CallsOver(4, 2, 1, "translated"), return_calls=None, ways=ways, was_full=True,
        hosts=(Share("192.168.40.20 (archive)", 0.5),), applications=(Share("https", 0.9),), tested="answered",
        tested_ms=NOW - HOUR_MS - 9000, confidence="high", doubts=(), resolution_s=60, lost_share=0.01, variable=True,
    )  # fmt: skip


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("pages")
    (place / "morning.html").write_text(as_html.render(morning()), encoding="utf-8")
    (place / "drill.html").write_text(render_drill(drill(), "html"), encoding="utf-8")
    return place


@pytest.mark.parametrize("size", [PHONE, DESK], ids=["phone", "desk"])
@pytest.mark.parametrize("name", ["morning", "drill"])
def test_a_page_opens_quietly_and_fits_the_screen(opened: Any, name: str, size: tuple[int, int]) -> None:
    tab = opened(name, size)
    assert tab.complaints == []
    assert tab.requests == [tab.url]
    assert tab.widest() <= size[0]


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("name", ["morning", "drill"])
def test_axe_finds_nothing_wrong(opened: Any, name: str, scheme: str) -> None:
    assert opened(name, DESK, scheme).violations() == []


def test_the_morning_list_prints_all_its_columns(opened: Any) -> None:
    page = opened("morning", DESK).page
    page.emulate_media(media="print")
    page.set_viewport_size({"width": 1040, "height": 700})  # A4 across, with margins
    table = page.locator(".morning-list").bounding_box()
    assert table["x"] + table["width"] <= 1040
