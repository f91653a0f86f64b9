"""What every request passes: the name it is for, where it comes from, how often; and the headers of every answer."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from flowdiag.desk.access.guard import Guard, host_name, own_names
from flowdiag.desk.access.sessions import COOKIE
from flowdiag.desk.settings import Settings
from tests.desk.access.desks import Served, account, served_by
from tests.desk.conftest import BASE, StoreAndSites


@pytest.fixture
def served(store_and_sites: StoreAndSites, tmp_path: Path) -> Iterator[Served]:
    with served_by(store_and_sites, tmp_path, account("mere"), hosts=("desk.example.net",)) as made:
        yield made


@pytest.mark.parametrize(
    "host",
    [
        "127.0.0.1",
        "127.0.0.1:8080",
        "localhost:8080",
        "[::1]:8080",
        "desk.example.net",
        "DESK.example.net:443",
    ],
)
def test_a_desk_answers_to_its_own_names(served: Served, host: str) -> None:
    assert served.browser().get("/sign-in", headers={"Host": host}).status_code == 200


@pytest.mark.parametrize(
    "host",
    [
        "evil.example",
        "127.0.0.1.evil.example",
        "evil.example:127.0.0.1",
        "evil.example#127.0.0.1",
        "127.0.0.1@evil.example",
        "evil.example/127.0.0.1",
        "127.0.0.1:80:80",
        "[::1",
        "",
        "desk.example.net.evil.example",
        "127.0.0.1, evil.example",
        "192.0.2.1",
    ],
)
def test_a_forged_host_is_refused(served: Served, host: str) -> None:
    """A name of somebody else's that leads to this machine (DNS rebinding) gets nothing, signed in or not."""
    browser = served.signed_in("mere")
    answer = browser.get("/", headers={"Host": host})
    assert answer.status_code == 421
    assert "Kowhai" not in answer.text


def test_two_hosts_are_none(served: Served) -> None:
    headers: Any = [("Host", "127.0.0.1"), ("Host", "evil.example")]
    assert served.browser().get("/sign-in", headers=headers).status_code == 421


def test_names_of_a_host_are_read_as_browsers_write_them() -> None:
    assert host_name("Desk.Example.net.:443") == "desk.example.net"
    assert host_name("[2001:DB8::1]:443") == "[2001:db8::1]"
    assert host_name("a b") == "a b"  # and is nobody's name
    settings = Settings("s", Path("."), Path("."), host="2001:db8::1", hosts=("Desk.example.net",))
    assert own_names(settings) == {"[2001:db8::1]", "desk.example.net"}
    assert own_names(Settings("s", Path("."), Path("."), host="0.0.0.0")) == set()


def token_of(browser: Any) -> str:
    return str(browser.get("/").text.partition('name="form_token" value="')[2].partition('"')[0])


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({}, 303),
        ({"Origin": BASE}, 303),
        ({"Origin": BASE, "Sec-Fetch-Site": "same-origin"}, 303),
        ({"Origin": "https://evil.example"}, 403),
        ({"Origin": "null"}, 403),
        ({"Origin": "http://127.0.0.1"}, 403),
        ({"Origin": "https://127.0.0.1:8443"}, 403),
        ({"Origin": "https://localhost"}, 403),  # another origin than the one that was asked
        ({"Sec-Fetch-Site": "cross-site"}, 403),
        ({"Sec-Fetch-Site": "same-site"}, 403),
        ({"Sec-Fetch-Site": "none"}, 403),
        ({"Origin": BASE, "Sec-Fetch-Site": "cross-site"}, 403),
    ],
)
def test_a_post_from_another_site_is_refused(served: Served, headers: dict[str, str], status: int) -> None:
    browser = served.signed_in("mere")
    answer = browser.post("/sign-out", data={"form_token": token_of(browser)}, headers=headers)
    assert answer.status_code == status
    assert browser.get("/").status_code == (303 if status == 303 else 200)


@pytest.mark.parametrize("token", [None, "", "wrong", "of another session"])
def test_a_post_without_the_sessions_own_token_is_refused(served: Served, token: str | None) -> None:
    browser = served.signed_in("mere")
    if token == "of another session":
        token = token_of(served.signed_in("mere"))
    data = {} if token is None else {"form_token": token}
    answer = browser.post("/sign-out", data=data, headers={"Origin": BASE, "Sec-Fetch-Site": "same-origin"})
    assert answer.status_code == 403
    assert "not from this page" in answer.text
    assert browser.get("/").status_code == 200


@pytest.mark.parametrize(
    "path", ["/", "/sign-in", "/sites/corner", "/style.css", "/static/desk.js", "/nowhere", "/sites/nowhere"]
)
def test_every_answer_forbids_frames_and_what_is_not_the_desks_own(served: Served, path: str) -> None:
    for browser in (served.browser(), served.signed_in("mere")):
        headers = browser.get(path).headers
        policy = headers["content-security-policy"]
        assert "frame-ancestors 'none'" in policy
        assert "default-src 'none'" in policy
        assert "unsafe" not in policy
        assert headers["x-frame-options"] == "DENY"
        assert headers["x-content-type-options"] == "nosniff"
        assert headers["referrer-policy"] == "same-origin"
        assert "strict-transport-security" not in headers


def test_a_refusal_has_the_headers_too(served: Served) -> None:
    assert served.browser().get("/", headers={"Host": "evil.example"}).headers["x-frame-options"] == "DENY"


def test_by_tls_browsers_are_told_to_stay_with_it(store_and_sites: StoreAndSites, tmp_path: Path) -> None:
    with served_by(store_and_sites, tmp_path, account("mere"), behind_proxy=True) as served:
        assert served.browser().get("/sign-in").headers["strict-transport-security"] == "max-age=31536000"


def test_behind_a_proxy_a_forms_origin_is_by_tls(store_and_sites: StoreAndSites, tmp_path: Path) -> None:
    with served_by(store_and_sites, tmp_path, account("mere"), behind_proxy=True) as served:
        key = served.signed_in("mere").cookies[COOKIE]
        browser = served.browser(Cookie=f"{COOKIE}={key}")
        browser.base_url = "http://127.0.0.1"  # as the proxy asks
        token = token_of(browser)
        for origin, status in (("http://127.0.0.1", 403), ("https://127.0.0.1", 303)):
            answer = browser.post("/sign-out", data={"form_token": token}, headers={"Origin": origin})
            assert answer.status_code == status


@pytest.mark.parametrize("method", ["TRACE", "CONNECT", "PROPFIND", "OPTIONS"])
def test_methods_that_no_page_has_are_refused(served: Served, method: str) -> None:
    assert served.browser().request(method, "/").status_code == 405


def test_a_very_long_address_is_refused(served: Served) -> None:
    assert served.browser().get("/?find=" + "x" * 20_000).status_code == 414


def test_an_address_that_asks_all_the_time_is_slowed_down(served: Served) -> None:
    guard = Guard(served.app, served.desk)
    scope = {
        "type": "http", "method": "GET", "scheme": "https", "path": "/", "raw_path": b"/", "query_string": b"",
        "headers": [(b"host", b"127.0.0.1")], "client": ("198.51.100.1", 1),
    }  # fmt: skip
    found = [guard._refusal(scope) for _ in range(2_000)]
    assert found[0] is None
    assert found[-1] is not None
    assert found[-1].status_code == 429
    assert int(found[-1].headers["retry-after"]) >= 1
    assert guard._refusal(scope | {"client": ("198.51.100.2", 1)}) is None


@pytest.mark.parametrize(
    "path",
    [
        "/static/../desk.py",
        "/static/..%2fdesk.py",
        "/static/%2e%2e/desk.py",
        "/static/..%5cdesk.py",
        "/static//etc/passwd",
        "/static/%2fetc%2fpasswd",
        "/static/....//....//etc/passwd",
        "/static/desk.js%00.css",
        "/sites/..%2f..%2fetc",
        "/sites/corner/notes/..%2f..%2fnotes.sqlite",
        "/sites/corner/notes/x/..%2f..%2f",
        "/sites/%2e%2e/notes/x",
    ],
)
def test_no_path_leads_out_of_what_is_served(served: Served, path: str) -> None:
    answer = served.signed_in("mere").get(path)
    assert answer.status_code in (400, 404)
    assert "root:" not in answer.text
    assert "import" not in answer.text
