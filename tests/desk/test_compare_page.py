"""Comparing with another time on the desk, and the notes that are handed on as one page."""

from __future__ import annotations

import re
from base64 import b64encode
from collections.abc import Callable
from datetime import UTC, datetime
from hashlib import sha256
from html import unescape
from typing import Any, Final
from urllib.parse import parse_qs, urlsplit

import pytest
from starlette.testclient import TestClient

from flowdiag.desk.asking.compared_words import compared_times
from flowdiag.desk.asking.note_question import NoteAnswer
from flowdiag.desk.pages.note import file_policy
from flowdiag.desk.people import EVERY_SITE, Person
from flowdiag.errors import UsageError

SITE: Final = "kowhai-group.harbour"
WHEN: Final = "2026-03-03T02:00+00:00 to 2026-03-03T03:00+00:00"
ZONE: Final = "Europe/Berlin"
# Monday 23 March 2026, 14:00 to 15:00 in Berlin, a week before the clocks have gone forward.
ASKED: Final = (1_774_270_800_000, 1_774_274_400_000)
NOW: Final = round(datetime(2026, 3, 30, 10, tzinfo=UTC).timestamp() * 1000)  # the Monday after


@pytest.mark.parametrize(
    ("words", "times"),
    [
        ("the same time last week", "2026-03-16T14:00:00+01:00 to 2026-03-16T15:00:00+01:00"),
        ("last week", "2026-03-16T14:00:00+01:00 to 2026-03-16T15:00:00+01:00"),
        ("the same time the day before", "2026-03-22T14:00:00+01:00 to 2026-03-22T15:00:00+01:00"),
        ("Yesterday", "2026-03-29T14:00:00+02:00 to 2026-03-29T15:00:00+02:00"),
        ("same time on friday", "2026-03-20T14:00:00+01:00 to 2026-03-20T15:00:00+01:00"),
        ("monday", "2026-03-16T14:00:00+01:00 to 2026-03-16T15:00:00+01:00"),
        ("yesterday afternoon", "2026-03-29T12:00:00+02:00 to 2026-03-29T18:00:00+02:00"),
        ("20 March 09:00", "2026-03-20T09:00:00+01:00 to 2026-03-20T10:00:00+01:00"),
        ("20 March 9am - 9:30am", "2026-03-20T09:00:00+01:00 to 2026-03-20T09:30:00+01:00"),
        ("10:00", "2026-03-23T10:00:00+01:00 to 2026-03-23T11:00:00+01:00"),
    ],
)
def test_words_of_another_time_become_fixed_times(words: str, times: str) -> None:
    assert compared_times(words, ASKED, ZONE, None, NOW) == times


def test_yesterday_of_yesterday_is_the_day_before() -> None:
    tuesday = round(datetime(2026, 3, 24, 10, tzinfo=UTC).timestamp() * 1000)
    assert compared_times("yesterday", ASKED, ZONE, None, tuesday).startswith("2026-03-22T14:00")
    assert compared_times("yesterday", ASKED, ZONE, None, ASKED[1]).startswith("2026-03-22T14:00")


@pytest.mark.parametrize("words", ["23 March 14:30 - 14:50", "purple", "23 March 13:30 to 14:10"])
def test_what_overlaps_or_is_no_time_is_refused(words: str) -> None:
    with pytest.raises(UsageError):
        compared_times(words, ASKED, ZONE, None, NOW)


def test_the_question_has_fixed_times(desk_client: TestClient) -> None:
    asked = {"when": WHEN, "beside": "the same time the day before", "said": "slow"}
    answer = desk_client.get(f"/sites/{SITE}/ask", params=asked, follow_redirects=False)
    assert answer.status_code == 303
    query = parse_qs(urlsplit(answer.headers["location"]).query)
    begin, end = query["beside"][0].split(" to ")
    for beside, name in ((begin, "from"), (end, "to")):
        assert (datetime.fromisoformat(query[name][0]) - datetime.fromisoformat(beside)).days == 1


def test_what_was_typed_is_still_there_where_the_other_time_is_none(desk_client: TestClient) -> None:
    asked = {"when": WHEN, "beside": "purple", "said": "slow since <lunch>", "ticket": "T-7"}
    answer = desk_client.get(f"/sites/{SITE}/ask", params=asked)
    assert answer.status_code == 400
    text = unescape(answer.text)
    assert "Compare with: 'purple' is not a time" in text
    assert "--compare" not in text
    for value in asked.values():
        assert value in text


@pytest.fixture(scope="module")
def compared(browser_of: Callable[[Person | None], TestClient]) -> Any:
    """A note that holds another time beside its own, as staff see it."""
    client = browser_of(Person("kim", frozenset({"helpdesk"}), (EVERY_SITE,)))
    asked = {
        "from": "2026-03-03T02:00+00:00",
        "to": "2026-03-03T03:00+00:00",
        "beside": "2026-03-02T02:00+00:00 to 2026-03-02T03:00+00:00",
        "said": "slow since lunch, " * 20,
        "ticket": "T-1",
    }
    while (answer := client.get(f"/sites/{SITE}/note", params=asked)).status_code == 202:
        pass
    assert answer.status_code == 200
    return answer


@pytest.fixture
def client_of(browser_of: Callable[[Person | None], TestClient]) -> TestClient:
    """A browser of somebody who works at the site."""
    return browser_of(Person("pat", frozenset({"client"}), ("kowhai-group/*",)))


@pytest.mark.slow
def test_both_times_and_what_differs_stand_first_and_nothing_is_drawn_twice(compared: Any) -> None:
    top, _, engineer = compared.text.partition('aria-labelledby="engineer"')
    assert engineer
    heading = re.search(r"<h3>(Compared with [^<]*)</h3>\n<p><strong>([^<]+)</strong>", top)
    assert heading is not None
    assert len(heading[2]) > 20
    axes = re.findall(r'<figure class="pick"[^>]* data-begin="(\d+)" data-end="(\d+)"', top)
    beside = [(int(begin), int(end)) for begin, end in axes][:2]
    assert top.index(heading[0]) < top.index("<figure")
    titles = re.findall(r"<figcaption>([^<]*)</figcaption>", top)
    subject = titles[0].partition(":")[0]
    assert [title.startswith(f"{subject}:") for title in titles[:2]] == [True, True]
    assert subject not in titles
    assert beside[0][0] < beside[0][1]
    assert beside[0][0] - beside[1][0] == 86_400_000
    assert beside[0][1] - beside[0][0] == beside[1][1] - beside[1][0]
    assert engineer.count("<figure") == compared.text.count("<figure") - len(axes)


@pytest.mark.slow
def test_a_client_sees_neither_the_other_time_nor_a_way_closer(compared: Any, client_of: TestClient) -> None:
    page = client_of.get(compared.url.path)
    assert page.status_code == 200
    assert "Compared with" not in page.text
    assert 'class="pick"' not in page.text
    assert "/closer" not in page.text
    assert page.text.count("<figure") == 1
    assert "client's part" not in page.text
    for name in ("Whole note", "for the client"):
        assert f">{name}" not in page.text
    assert ">Note as text</a>" in page.text
    assert ">Whole note as text</a>" in compared.text


@pytest.mark.slow
def test_a_client_has_a_page_of_their_own_part_and_one_picture(compared: Any, client_of: TestClient) -> None:
    page = client_of.get(f"{compared.url.path}/client")
    assert page.status_code == 200
    assert page.text.count("<figure") == 1
    assert "For the client" in page.text
    assert "For the engineer" not in page.text
    for form in ("brief", "page", "json", "nothing"):
        assert client_of.get(f"{compared.url.path}/{form}").status_code == 404


@pytest.mark.slow
@pytest.mark.parametrize("form", ["brief", "client", "page"])
def test_a_file_may_use_its_own_style_and_nothing_else(
    form: str, compared: Any, desk_client: TestClient
) -> None:
    answer = desk_client.get(f"{compared.url.path}/{form}")
    style = answer.text.partition("<style>")[2].partition("</style>")[0]
    digest = b64encode(sha256(style.encode()).digest()).decode()
    policy = answer.headers["content-security-policy"]
    assert f"style-src 'sha256-{digest}';" in policy
    assert "unsafe" not in policy
    assert "content-disposition" not in answer.headers
    saved = desk_client.get(f"{compared.url.path}/{form}?save=1")
    assert saved.text == answer.text
    name = re.fullmatch(r'attachment; filename="([\w.-]+)"', saved.headers["content-disposition"])
    assert name is not None
    assert name[1].startswith(SITE)
    assert name[1].endswith(f"-{form}.html")


@pytest.mark.slow
@pytest.mark.parametrize("form", ["brief", "client"])
@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_it_prints_on_one_page(
    form: str, paper: str, compared: Any, desk_client: TestClient, browser: Any
) -> None:
    tab = browser.new_page()
    tab.set_content(desk_client.get(f"{compared.url.path}/{form}").text)
    printed = tab.pdf(format=paper)
    tab.close()
    assert len(re.findall(rb"/Type\s*/Page\b", printed)) == 1


def test_a_file_without_style_may_use_none() -> None:
    assert "style-src 'none';" in file_policy("<p>nothing</p>")


def test_notes_that_were_kept_before_there_was_a_page_for_clients_are_read() -> None:
    assert NoteAnswer.__struct_fields__[-2:] == ("client_page", "beside")
    assert NoteAnswer.__struct_defaults__ == ("", None)
