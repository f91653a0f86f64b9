"""Signing in by an account or by the printed link, and what others make of it."""

from __future__ import annotations

import time
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from urllib.parse import urlencode

import psutil
import pytest

from flowdiag.desk.access.openid import COOKIE as OPENID_COOKIE
from flowdiag.desk.access.sessions import COOKIE
from flowdiag.desk.access.tries import FREE
from flowdiag.desk.pages.sign_in import own_address
from tests.desk.access.desks import OWN, PASSWORD, Served, account, served_by, sign_in
from tests.desk.conftest import BASE, StoreAndSites


@pytest.fixture
def served(store_and_sites: StoreAndSites, tmp_path: Path) -> Iterator[Served]:
    with served_by(store_and_sites, tmp_path, account("mere") + account("hana")) as made:
        yield made


@pytest.fixture
def open_desk(store_and_sites: StoreAndSites, tmp_path: Path) -> Iterator[Served]:
    """Without an access file."""
    with served_by(store_and_sites, tmp_path) as made:
        yield made


def test_a_name_and_its_password_sign_in(served: Served) -> None:
    browser = served.browser()
    assert 'name="password"' in browser.get("/sign-in").text
    assert sign_in(browser, "mere").headers["location"] == "/"
    assert browser.get("/").status_code == 200


@pytest.mark.parametrize(
    ("name", "password"), [("mere", "wrong"), ("nobody", PASSWORD), ("mere", ""), ("", "")]
)
def test_whatever_does_not_belong_together_gets_the_same_answer(
    served: Served, name: str, password: str
) -> None:
    answer = sign_in(served.browser(), name, password)
    assert answer.status_code == 403
    assert "do not belong together" in answer.text
    assert PASSWORD not in answer.text
    assert COOKIE not in answer.cookies


def test_an_unknown_name_takes_as_long_as_a_known_one(served: Served) -> None:
    def seconds(name: str) -> float:
        taken = []
        for number in range(3):
            begun = time.perf_counter()
            sign_in(served.browser(f"198.51.100.{number}"), name, "wrong")
            taken.append(time.perf_counter() - begun)
        return min(taken)

    seconds("warm")
    known, unknown = seconds("mere"), seconds("nobody")
    assert unknown > known / 3
    assert known > unknown / 3


def test_the_cookie_is_for_this_host_by_tls_and_not_for_scripts(served: Served) -> None:
    header = sign_in(served.browser(), "mere").headers["set-cookie"]
    name, *flags = [part.strip() for part in header.split(";")]
    assert name.startswith("__Host-flowdiag=")
    assert {flag.casefold() for flag in flags} == {"httponly", "path=/", "samesite=lax", "secure"}


def test_a_session_that_somebody_prepared_is_not_taken(served: Served) -> None:
    """Session fixation: whatever key a browser brings, the one after signing in is another."""
    browser = served.browser()
    browser.cookies.set(COOKIE, "prepared-by-somebody-else", domain="127.0.0.1")
    answer = sign_in(browser, "mere")
    key = answer.cookies[COOKIE]
    assert key != "prepared-by-somebody-else"
    other = served.browser()
    other.cookies.set(COOKIE, "prepared-by-somebody-else", domain="127.0.0.1")
    assert other.get("/").status_code == 303


def test_each_sign_in_makes_a_new_session_and_ends_the_one_before(served: Served) -> None:
    browser = served.browser()
    first = sign_in(browser, "mere").cookies[COOKIE]
    second = sign_in(browser, "hana").cookies[COOKIE]
    assert first != second
    old = served.browser()
    old.cookies.set(COOKIE, first, domain="127.0.0.1")
    assert old.get("/").status_code == 303


def test_signing_out_ends_the_session_for_whoever_has_its_key(served: Served) -> None:
    browser = served.signed_in("mere")
    key = browser.cookies[COOKIE]
    token = browser.get("/").text.partition('name="form_token" value="')[2].partition('"')[0]
    left = browser.post("/sign-out", data={"form_token": token}, headers=OWN)
    assert left.headers["location"] == "/sign-in"
    assert "Max-Age=0" in left.headers["set-cookie"]
    thief = served.browser()
    thief.cookies.set(COOKIE, key, domain="127.0.0.1")
    assert thief.get("/").status_code == 303


def test_a_link_from_a_ticket_is_shown_after_signing_in(served: Served) -> None:
    browser = served.browser()
    wanted = "/sites/corner/notes/abc?x=1&y=2"
    first = browser.get(wanted)
    assert first.status_code == 303
    form = browser.get(first.headers["location"]).text
    assert 'name="to" value="/sites/corner/notes/abc?x=1&amp;y=2"' in form
    assert sign_in(browser, "mere", to=wanted).headers["location"] == wanted


@pytest.mark.parametrize(
    "to",
    [
        "//evil.example",
        "/\\evil.example",
        "https://evil.example/",
        "/\t/evil.example",
        "/\n/evil.example",
        "javascript:alert(1)",
        "evil.example",
        " //evil.example",
        "/%0d%0aLocation: https://evil.example",
        "/sites/\x00",
        "/é",
        "/" + "a" * 5000,
    ],
)
def test_nobody_is_sent_elsewhere_after_signing_in(served: Served, to: str) -> None:
    browser = served.browser()
    assert sign_in(browser, "mere", to=to).headers["location"] == "/"
    assert own_address(to) == "/"


def test_after_tries_that_failed_one_has_to_wait(served: Served) -> None:
    browser = served.browser()
    for _ in range(FREE + 1):
        assert sign_in(browser, "mere", "wrong").status_code == 403
    answer = sign_in(browser, "mere")
    assert answer.status_code == 429
    assert 1 <= int(answer.headers["retry-after"]) <= 2
    assert "tries that failed" in answer.text
    time.sleep(int(answer.headers["retry-after"]))
    assert sign_in(browser, "mere").status_code == 303


def test_an_account_that_others_try_is_open_to_its_owner(served: Served) -> None:
    guesser = served.browser("198.51.100.9")
    for _ in range(FREE + 2):
        sign_in(guesser, "mere", "wrong")
    assert sign_in(guesser, "mere").status_code == 429
    assert sign_in(served.browser("192.0.2.20"), "mere").status_code == 303


@pytest.mark.slow
def test_ten_thousand_wrong_passwords_cost_little_and_lock_nobody_out(served: Served) -> None:
    """From one machine against one account, and from a network of IPv6 against many; the owner signs in from elsewhere."""
    statuses: Counter[int] = Counter()

    async def guess() -> None:
        for number in range(10_000):
            one = bool(number % 2)
            address = "198.51.100.9" if one else f"2001:db8:1:2::{number:x}"
            name = "mere" if one else f"name-{number}"
            statuses[await status_of(served.app, address, {"name": name, "password": f"wrong-{number}"})] += 1

    served.signed_in("hana")
    before, begun = psutil.Process().memory_info().rss, time.process_time()
    served.portal.call(guess)
    assert time.process_time() - begun < 60  # seconds of a processor; it takes five
    assert psutil.Process().memory_info().rss - before < 40 << 20
    assert statuses.total() == statuses[403] + statuses[429] == 10_000
    assert statuses[403] < 60  # the others cost no hash
    assert sign_in(served.browser("192.0.2.20"), "mere").status_code == 303
    assert sign_in(served.browser("192.0.2.20"), "hana").status_code == 303


async def status_of(app: Any, address: str, form: dict[str, str]) -> int:
    """Of an attempt to sign in, asked as a server asks an application: a browser's client would take most of the time."""
    body, statuses = urlencode(form).encode(), []
    headers = {"host": "127.0.0.1", "origin": BASE, "content-type": "application/x-www-form-urlencoded"}
    scope = {
        "type": "http", "http_version": "1.1", "method": "POST", "scheme": "https", "path": "/sign-in", "raw_path": b"/sign-in",
        "query_string": b"", "client": (address, 50_000), "server": ("127.0.0.1", 443), "root_path": "",
        "headers": [(name.encode(), value.encode()) for name, value in headers.items()],
    }  # fmt: skip

    async def receive() -> dict[str, Any]:
        return {"type": "http.request", "body": body, "more_body": False}

    async def send(message: Any) -> None:
        statuses.append(message.get("status"))

    await app(scope, receive, send)
    return int(statuses[0])


def test_a_form_that_tells_no_origin_does_not_sign_in(served: Served) -> None:
    """A page elsewhere could sign somebody in under another's name; browsers tell where a form comes from."""
    data = {"name": "mere", "password": PASSWORD}
    assert served.browser().post("/sign-in", data=data).status_code == 403
    assert (
        served.browser().post("/sign-in", data=data, headers={"Origin": "https://evil.example"}).status_code
        == 403
    )
    assert (
        served.browser().post("/sign-in", data=data, headers={"Sec-Fetch-Site": "same-origin"}).status_code
        == 303
    )


def test_the_printed_link_works_once(open_desk: Served) -> None:
    link = open_desk.desk.link.make()
    first, second = open_desk.browser(), open_desk.browser()
    assert first.head(link).status_code == 405  # a look at it is no use of it
    assert first.get(link).status_code == 303
    assert first.get("/").status_code == 200
    again = second.get(link)
    assert again.status_code == 403
    assert "used already" in again.text
    assert second.get("/").status_code == 303
    assert first.get("/").status_code == 200  # whoever came first stays


def test_a_newer_link_makes_the_older_worthless(open_desk: Served) -> None:
    older, newer = open_desk.desk.link.make(), open_desk.desk.link.make()
    assert open_desk.browser().get(older).status_code == 403
    assert open_desk.browser().get(newer).status_code == 303


def test_without_a_file_there_are_no_accounts_and_with_one_no_link(served: Served, open_desk: Served) -> None:
    assert sign_in(open_desk.browser(), "mere").status_code == 404
    assert open_desk.browser().get("/sign-in/openid").status_code == 404
    assert served.browser().get("/sign-in/link?once=").status_code == 403
    assert served.browser().get("/sign-in/openid").status_code == 404
    assert served.browser().get("/sign-in/openid/back?code=a&state=b").status_code == 404
    assert OPENID_COOKIE not in served.browser().cookies


def test_a_very_long_password_is_refused_without_being_hashed(served: Served) -> None:
    begun = time.perf_counter()
    assert sign_in(served.browser(), "mere", "x" * 10_000).status_code == 403
    assert time.perf_counter() - begun < 5
    assert sign_in(served.browser(), "mere", "x" * 20_000).status_code == 413
