"""From the link that the desk prints to a note that stays at its address."""

from __future__ import annotations

import pytest
from starlette.testclient import TestClient

from tests.desk.conftest import form_token


def test_the_sites_are_there_once_one_has_signed_in(desk_client: TestClient) -> None:
    text = desk_client.get("/").text
    assert all(name in text for name in ("Kowhai Harbour Depot", "Rata Mill Road", "Corner Bakery"))


@pytest.mark.slow
def test_a_question_leads_to_a_note_that_stays(desk_client: TestClient) -> None:
    asked = {"from": "2026-03-03T02:00+00:00", "to": "2026-03-03T03:00+00:00", "said": "slow since lunch"}
    while (first := desk_client.get("/sites/kowhai-group.harbour/note", params=asked)).status_code == 202:
        pass
    assert first.status_code == 200
    assert first.url.path.startswith("/sites/kowhai-group.harbour/notes/")
    text = desk_client.get(f"{first.url.path}/text").text
    assert "Kowhai Harbour Depot" in text
    assert desk_client.get(f"{first.url.path}/text").text == text


def test_signing_out_ends_it_and_prints_a_new_link(
    desk_client: TestClient, capsys: pytest.CaptureFixture[str]
) -> None:
    token = form_token(desk_client)
    assert token
    left = desk_client.post("/sign-out", data={"form_token": token})
    assert left.url.path == "/sign-in"
    assert desk_client.get("/", follow_redirects=False).status_code == 303
    assert "prints another when somebody signs out" in left.text
    link = capsys.readouterr().out.partition("Sign in once at ")[2].strip()
    assert desk_client.get(link).status_code == 200
    assert form_token(desk_client)
