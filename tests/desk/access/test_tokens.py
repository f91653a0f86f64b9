"""Programs are known by tokens, on pages that are for programs, and cookies change nothing there."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final

import pytest
from starlette.responses import JSONResponse, Response

from flowdiag.desk.access.rates import Rate
from flowdiag.desk.access.sessions import COOKIE
from flowdiag.desk.access.tokens import PREFIX, digest, new_token
from flowdiag.desk.asked import Asked
from flowdiag.desk.people import Person
from flowdiag.desk.routing import Page
from tests.desk.access.desks import Served, account, served_by
from tests.desk.conftest import StoreAndSites

TOKEN: Final = new_token()
OLD: Final = new_token()
CLIENTS: Final = new_token()


async def answer(asked: Asked) -> Response:
    body = await asked.request.body() if asked.request.method == "POST" else b""
    return JSONResponse(
        {"name": asked.who.name, "sites": [site.key for site in asked.sites()], "octets": len(body)}
    )


STAFF: Final = frozenset({"helpdesk"})
ANY: Final = frozenset({"helpdesk", "client"})
PAGES: Final[tuple[Any, ...]] = (
    Page("/api/own", answer, roles=ANY, methods=("GET", "POST"), api=True, largest=1000),
    Page("/api/sites/{site}", answer, roles=ANY, api=True),
    Page("/api/staff", answer, roles=STAFF, api=True),
    Page("/page", answer, roles=ANY),
)


def entry(name: str, token: str, role: str, sites: str, expires: str = "2999-01-01") -> str:
    rights = f'roles = ["{role}"]\nsites = ["{sites}"]\nexpires = {expires}\n'
    return f'[[token]]\nname = "{name}"\nsha256 = "{digest(token)}"\n{rights}'


@pytest.fixture
def served(store_and_sites: StoreAndSites, tmp_path: Path) -> Iterator[Served]:
    file = (
        account("mere")
        + entry("tickets", TOKEN, "helpdesk", "*")
        + entry("old", OLD, "helpdesk", "*", "2020-01-01")
        + entry("kowhai", CLIENTS, "client", "kowhai-group/*")
    )
    with served_by(store_and_sites, tmp_path, file, PAGES) as made:
        yield made


def bearer(token: str) -> dict[str, str]:
    return {"Authorization": f"Bearer {token}"}


def test_a_token_has_256_random_bits_and_says_what_it_is() -> None:
    assert TOKEN.startswith(PREFIX)
    assert len(TOKEN) - len(PREFIX) == 43  # of 6 bits each
    assert TOKEN != OLD


def test_a_program_is_known_by_its_token(served: Served) -> None:
    found = served.browser().get("/api/own", headers=bearer(TOKEN))
    assert found.json()["name"] == "token:tickets"
    assert len(found.json()["sites"]) == 3


def test_a_program_posts_without_a_form_token(served: Served) -> None:
    found = served.browser().post("/api/own", headers=bearer(TOKEN), json={"a": 1})
    assert found.json() == {"name": "token:tickets", "octets": 7} | {"sites": found.json()["sites"]}


@pytest.mark.parametrize(
    "given",
    ["Bearer x", f"Bearer {OLD}", "Bearer ", "Basic bWVyZTptZXJl", "Bearer " + "x" * 5000, f"Token {TOKEN}"],
    ids=[
        "short",
        "over",
        "none",
        "another scheme",
        "long",
        "wrong scheme",
    ],  # tokens are other ones in each process
)
def test_whatever_is_no_good_token_is_refused_in_json(served: Served, given: str) -> None:
    found = served.browser().get("/api/own", headers={"Authorization": given})
    assert found.status_code == 401
    assert found.headers["www-authenticate"] == 'Bearer realm="flowdiag", error="invalid_token"'
    assert found.headers["content-type"].startswith("application/")
    assert "this token is not known, or has expired" in found.text


def test_without_a_token_a_program_is_told_how(served: Served) -> None:
    found = served.browser().get("/api/own")
    assert found.status_code == 401
    assert found.headers["www-authenticate"] == 'Bearer realm="flowdiag"'
    assert "no credentials: send a token (Authorization: Bearer" in found.json()["detail"]


def test_a_token_has_its_role_and_its_sites(served: Served) -> None:
    browser = served.browser(**bearer(CLIENTS))
    assert browser.get("/api/own").json()["sites"] == ["kowhai-group.harbour"]
    assert browser.get("/api/staff").status_code == 403
    assert browser.get("/api/sites/kowhai-group.harbour").status_code == 200
    refused = browser.get("/api/sites/rata-group.mill-road")
    assert refused.status_code == 404
    assert "Rata" not in refused.text
    assert refused.text == browser.get("/api/sites/nowhere").text


def test_a_token_is_nothing_on_a_page_for_people(served: Served) -> None:
    assert served.browser().get("/page", headers=bearer(TOKEN)).status_code == 303


def test_a_cookie_reads_what_is_for_programs_and_changes_nothing(served: Served) -> None:
    browser = served.browser()
    session = served.desk.sessions.begin(Person("mere", frozenset({"helpdesk"}), ("*",)))
    browser.cookies.set(COOKIE, session.key, domain="127.0.0.1")
    assert browser.get("/api/own").json()["name"] == "mere"
    assert browser.post("/api/own", json={}).status_code == 401
    assert browser.get("/api/own", headers=bearer("x")).status_code == 401  # no way back to the cookie


def test_what_a_program_sends_is_bounded(served: Served) -> None:
    browser = served.browser(**bearer(TOKEN))
    assert browser.post("/api/own", content=b"x" * 1000).status_code == 200
    assert browser.post("/api/own", content=b"x" * 1001).status_code == 413
    chunked = browser.post("/api/own", content=iter([b"x" * 500] * 3))
    assert chunked.status_code == 413
    assert "what was sent is too large" in chunked.text


def test_a_program_that_asks_all_the_time_is_slowed_down(served: Served) -> None:
    served.desk.rates = Rate(0.01, 5)
    browser = served.browser(**bearer(TOKEN))
    found = [browser.get("/api/staff") for _ in range(6)]
    assert [one.status_code for one in found] == [200] * 5 + [429]
    assert int(found[-1].headers["retry-after"]) > 60
    assert served.browser(**bearer(CLIENTS)).get("/api/own").status_code == 200
