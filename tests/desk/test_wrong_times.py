"""Times that cannot be asked about: what the page says of them, and where."""

from __future__ import annotations

import re
from datetime import UTC, datetime
from html import unescape
from types import SimpleNamespace
from typing import Final

import pytest
from starlette.testclient import TestClient

from flowdiag.desk import asked_times

SITE: Final = "kowhai-group.harbour"  # in Toronto
NOW: Final = datetime(
    2026, 3, 5, tzinfo=UTC
).timestamp()  # 19:00 there on Wednesday 4 March; the store ends then


@pytest.fixture
def at_seven(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(asked_times, "time", SimpleNamespace(time=lambda: NOW))


def said(client: TestClient, page: str, **asked: str) -> tuple[str, str]:
    """What is said to be wrong, and the page."""
    answer = client.get(f"/sites/{SITE}/{page}", params=asked)
    assert answer.status_code == 400
    found = re.search(r'<p class="fault" role="alert" id="fault">([^<]*)</p>', answer.text)
    assert found is not None
    return unescape(found[1]), answer.text


@pytest.mark.parametrize("page", ["ask", "closer"])
@pytest.mark.parametrize(
    ("when", "told"),
    [
        (
            "blah",
            "When: 'blah' is not a time; write it as 14:10-14:50, yesterday afternoon, last hour, 3 March 14:00 to 15:00.",
        ),
        ("29 Feb 14:00", "When: The last such day was in 2024; write the year if that is meant."),
        ("29 Feb", "When: The last such day was in 2024; write the year if that is meant."),
        ("20:00", "When: 20:00 EST today is still to come; did you mean yesterday 20:00?"),
        ("today 21:15", "When: 21:15 EST today is still to come; did you mean yesterday 21:15?"),
        ("2026-03-06", "When: 00:00 EST on Friday 6 March 2026 is still to come."),
        (
            "14:50-14:10",
            "When: The time ends before it begins: it would begin on Wednesday 4 March 2026, 14:50 and end on Wednesday 4 March "
            "2026, 14:10.",
        ),
    ],
)
def test_it_is_said_in_words_of_the_form(
    page: str, when: str, told: str, desk_client: TestClient, at_seven: None
) -> None:
    assert said(desk_client, page, when=when)[0] == told


@pytest.mark.parametrize(
    ("beside", "told"),
    [
        ("blah", "Compare with: 'blah' is not a time; write it as "),
        ("4 March 14:30 to 14:40", "Compare with: Wednesday 4 March 2026, 14:30 to 14:40 EST overlaps the time asked about"),
        ("3 March 14:50 to 14:10", "Compare with: The time ends before it begins: "),
    ],
)  # fmt: skip
def test_the_other_time_likewise(beside: str, told: str, desk_client: TestClient, at_seven: None) -> None:
    assert said(desk_client, "ask", when="14:00 to 15:00", beside=beside)[0].startswith(told)


def test_the_field_in_fault_is_marked_and_has_the_focus(desk_client: TestClient, at_seven: None) -> None:
    def marked(text: str) -> list[str]:
        return re.findall(
            r'<input id="(\w+)"[^>]* aria-invalid="true" aria-describedby="fault [^>]* autofocus', text
        )

    _, text = said(desk_client, "ask", when="blah")
    assert marked(text) == ["when"]
    assert "<title>Mistake: " in text
    assert marked(said(desk_client, "ask", when="14:00 to 15:00", beside="blah")[1]) == ["beside"]
    assert marked(said(desk_client, "closer", when="blah")[1]) == ["when"]
    whole = desk_client.get(f"/sites/{SITE}").text
    assert "aria-invalid" not in whole
    assert "Mistake" not in whole


def test_a_program_is_told_without_options_of_commands(desk_client: TestClient) -> None:
    answer = desk_client.get(f"/api/sites/{SITE}/times", params={"when": "soonish"})
    assert answer.status_code == 400
    assert "'soonish' is not a time" in answer.json()["detail"]
    assert "--" not in answer.json()["detail"]


@pytest.mark.parametrize("when", ["2026-03-04", "today", "this evening"])
def test_a_day_that_is_not_over_ends_now(when: str, desk_client: TestClient, at_seven: None) -> None:
    found = desk_client.get(f"/api/sites/{SITE}/times", params={"when": when}).json()
    assert found["to"] == "2026-03-04T19:00:00-05:00"


@pytest.mark.parametrize(
    ("path", "told"),
    [
        ("notes/00000000000000000000000000000000", "This note is not kept any more, or its address is wrong"),
        ("nothing", "There is no such page"),
        ("note?from=then", "From: "),
    ],
)
def test_what_cannot_be_shown_is_a_sentence(path: str, told: str, desk_client: TestClient) -> None:
    assert f'role="alert">{told}' in desk_client.get(f"/sites/{SITE}/{path}").text
