"""Signing in by OpenID Connect, at two providers that others wrote, and at one that lies."""

from __future__ import annotations

import time
from collections.abc import Iterator
from hashlib import sha256
from pathlib import Path
from typing import Any

import httpx
import oidc_provider_mock
import pytest
from starlette.testclient import TestClient

from flowdiag.desk.access import openid
from flowdiag.desk.access.sessions import COOKIE
from tests.desk.access.desks import Served, served_by
from tests.desk.access.providers import (
    BACK,
    Lies,
    lying_provider,
    node_provider,
    other_key,
    provider_table,
    sign_in_at_node,
    values_of,
)
from tests.desk.access.providers import _octets as base64url
from tests.desk.conftest import BASE, StoreAndSites


@pytest.fixture(autouse=True)
def _no_proxy(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("NO_PROXY", "127.0.0.1,localhost")


def begin(browser: TestClient, to: str = "/") -> str:
    """The provider's address that the desk sends the browser to."""
    answer = browser.get("/sign-in/openid", params={"to": to})
    assert answer.status_code == 303, answer.text
    return str(answer.headers["location"])


def back(browser: TestClient, address: str) -> Any:
    """The provider has sent the browser back."""
    assert address.startswith(BACK)
    return browser.get(address.removeprefix(BASE))


# -- providers that others wrote


def test_the_mock_provider_signs_in(store_and_sites: StoreAndSites, tmp_path: Path) -> None:
    people = [
        oidc_provider_mock.User(sub=subject, claims=claims)
        for subject, claims in {
            "mere": {"groups": ["noc"], "email": "mere@example.net", "email_verified": True},
            "hana": {},
            "eve": {"groups": ["visitors"]},
        }.items()
    ]
    with oidc_provider_mock.run_server_in_thread(require_nonce=True, user_claims=people) as server:
        issuer = f"http://localhost:{server.server_port}"
        with served_by(store_and_sites, tmp_path, provider_table(issuer)) as served:

            def come_back(browser: TestClient, subject: str) -> Any:
                answer = httpx.post(begin(browser), data={"sub": subject}, trust_env=False)
                return back(browser, answer.headers["location"])

            mere, hana, eve = (served.browser() for _ in range(3))
            assert come_back(mere, "mere").headers["location"] == "/"
            assert "Rata Mill Road" in mere.get("/").text
            assert come_back(hana, "hana").status_code == 303
            assert "Kowhai Harbour Depot" in hana.get("/").text
            assert "Rata Mill Road" not in hana.get("/").text
            refused = come_back(eve, "eve")
            assert refused.status_code == 403
            assert "no role for you" in refused.text
            assert eve.get("/").status_code == 303
            denied = httpx.post(begin(eve), data={"action": "deny"}, trust_env=False)
            assert back(eve, denied.headers["location"]).status_code == 403
        log = (tmp_path / "state" / "audit.jsonl").read_text()
    assert '"person":"openid:mere@example.net"' in log
    assert '"event":"sign-in-refused","person":"openid:eve"' in log
    assert "code=***" in log


@pytest.mark.slow
def test_the_node_provider_signs_in(store_and_sites: StoreAndSites, tmp_path: Path) -> None:
    """It demands PKCE, names itself in its answers (RFC 9207), and tells claims by its user information alone."""
    people = {"mere": {"groups": ["noc"], "email": "mere@example.net", "email_verified": True}, "eve": {}}
    with (
        node_provider(people) as issuer,
        served_by(
            store_and_sites, tmp_path, provider_table(issuer, 'scopes = ["openid", "profile", "email"]')
        ) as served,
    ):
        browser = served.browser()
        there = begin(browser, "/sites/corner")
        returned = sign_in_at_node(there, "mere")
        assert values_of(returned)["iss"] == issuer
        answer = back(browser, returned)
        assert answer.headers.get("location") == "/sites/corner", answer.text
        assert "Corner Bakery" in browser.get("/sites/corner").text
        assert back(browser, returned).status_code == 403  # a code is used once

        eve = served.browser()
        assert back(eve, sign_in_at_node(begin(eve), "eve")).status_code == 403

        victim, attacker = served.browser(), served.browser()
        planted = sign_in_at_node(begin(attacker), "mere")
        assert back(victim, planted).status_code == 403  # it did not begin in that browser
        stolen = sign_in_at_node(begin(victim), "mere")
        assert back(attacker, stolen).status_code == 403


# -- a provider that lies


@pytest.fixture(scope="module")
def provider() -> Iterator[Lies]:
    with lying_provider() as made:
        yield made


@pytest.fixture
def lies(provider: Lies) -> Iterator[Lies]:
    kept = dict(vars(provider))
    yield provider
    vars(provider).update(kept)
    provider.verifiers.clear()


@pytest.fixture
def served(lies: Lies, store_and_sites: StoreAndSites, tmp_path: Path) -> Iterator[Served]:
    with served_by(store_and_sites, tmp_path, provider_table(lies.issuer)) as made:
        yield made


def come(served: Served, lies: Lies, browser: TestClient | None = None, **changed: str) -> Any:
    """A whole sign-in. changed: values of the address that the provider sends the browser back to."""
    browser = browser or served.browser()
    asked = values_of(begin(browser))
    lies.nonce = lies.nonce or asked["nonce"]
    values = {"code": "c", "state": asked["state"], **changed}
    return browser.get(
        "/sign-in/openid/back", params={name: value for name, value in values.items() if value}
    )


def test_the_lying_provider_signs_in_while_it_tells_the_truth(served: Served, lies: Lies) -> None:
    browser = served.browser()
    assert come(served, lies, browser).status_code == 303
    assert browser.get("/").status_code == 200


def test_a_sign_in_is_asked_for_with_pkce_state_and_nonce(served: Served, lies: Lies) -> None:
    browser = served.browser()
    asked, other = values_of(begin(browser)), values_of(begin(browser))
    assert asked["response_type"] == "code"
    assert asked["code_challenge_method"] == "S256"
    assert asked["redirect_uri"] == BACK
    assert asked["scope"] == "openid email profile"
    assert all(asked[name] != other[name] for name in ("state", "nonce", "code_challenge"))
    lies.nonce = other["nonce"]
    browser.get("/sign-in/openid/back", params={"code": "c", "state": other["state"]})
    assert base64url(sha256(lies.verifiers[0].encode()).digest()) == other["code_challenge"]


def test_the_browsers_cookie_of_a_sign_in_is_for_this_host_and_not_for_scripts(served: Served) -> None:
    header = served.browser().get("/sign-in/openid").headers["set-cookie"]
    assert header.startswith("__Host-flowdiag-sign-in=")
    assert {"HttpOnly", "Secure", "Path=/", "SameSite=lax"} <= {part.strip() for part in header.split(";")}


NOW = int(time.time())


@pytest.mark.parametrize(
    "token",
    [
        {"iss": "https://other.example.net"},
        {"iss": None},
        {"aud": "another-client"},
        {"aud": ["another-client", "desk"], "azp": "another-client"},
        {"aud": None},
        {"exp": NOW - 3600},
        {"exp": None},
        {"iat": NOW + 3600},
        {"nbf": NOW + 3600},
        {"iat": None},
        {"sub": None},
        {"nonce": "of another sign-in"},
        {"nonce": None},
        {"at_hash": "AAAAAAAAAAAAAAAAAAAAAA"},
    ],
)
def test_an_id_token_that_is_not_for_this_sign_in_is_refused(
    served: Served, lies: Lies, token: dict[str, Any]
) -> None:
    lies.token = token
    browser = served.browser()
    answer = come(served, lies, browser)
    assert answer.status_code == 403
    assert COOKIE not in answer.cookies
    assert browser.get("/").status_code == 303


@pytest.mark.parametrize(
    ("algorithm", "kind"), [("RS256", "RSA"), ("HS256", "oct"), ("ES256", "EC"), ("none", "RSA")]
)
def test_an_id_token_that_the_provider_did_not_sign_is_refused(
    served: Served, lies: Lies, algorithm: str, kind: str
) -> None:
    lies.signing, lies.header = other_key(kind), {"alg": algorithm, "kid": "1"}
    assert come(served, lies).status_code == 403


def test_a_provider_may_change_its_key(served: Served, lies: Lies, monkeypatch: pytest.MonkeyPatch) -> None:
    assert come(served, lies).status_code == 303
    monkeypatch.setattr(openid, "KEYS_AGAIN_S", 0.0)
    lies.key = lies.signing = type(lies.key).generate_key(2048, {"kid": "2"})
    lies.header = {"alg": "RS256", "kid": "2"}
    lies.nonce = ""
    assert come(served, lies).status_code == 303


@pytest.mark.parametrize(
    "changed",
    [
        {"state": "another"},
        {"state": ""},
        {"code": ""},
        {"error": "access_denied"},
        {"iss": "https://other.example"},
    ],
)
def test_an_answer_that_does_not_belong_to_the_sign_in_is_refused(
    served: Served, lies: Lies, changed: dict[str, str]
) -> None:
    assert come(served, lies, **changed).status_code == 403


def test_an_answer_that_names_no_issuer_is_refused_where_the_provider_says_that_it_does(
    served: Served, lies: Lies
) -> None:
    lies.described = {"authorization_response_iss_parameter_supported": True}
    assert come(served, lies).status_code == 403
    lies.nonce = ""
    assert come(served, lies, iss=lies.issuer).status_code == 303


def test_a_sign_in_has_an_end(served: Served, lies: Lies, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(openid, "LONGEST_S", -1.0)
    assert come(served, lies).status_code == 403


def test_sign_ins_that_nobody_ends_are_forgotten(
    served: Served, lies: Lies, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(openid, "MOST_BEGUN", 3)
    browser = served.browser()
    first = values_of(begin(browser))
    for _ in range(3):
        begin(served.browser())
    assert len(served.desk.sign_ins._begun) == 3
    assert (
        browser.get("/sign-in/openid/back", params={"code": "c", "state": first["state"]}).status_code == 403
    )


@pytest.mark.parametrize(
    ("described", "status"),
    [
        ({"issuer": "https://other.example.net"}, 503),
        ({"authorization_endpoint": "http://evil.example/"}, 503),
        ({"token_endpoint": "file:///etc/passwd"}, 503),
        ({"jwks_uri": None}, 503),
        ({"authorization_endpoint": "javascript:alert(1)"}, 503),
        ({"jwks_uri": "http://127.0.0.1:9/"}, 503),
    ],
)
def test_a_provider_that_describes_itself_wrongly_is_not_gone_to(
    served: Served, lies: Lies, described: dict[str, Any], status: int
) -> None:
    lies.described = described
    answer = served.browser().get("/sign-in/openid")
    assert answer.status_code == status
    assert "provider" in answer.text
    assert "location" not in answer.headers


def test_where_the_secret_lies_is_not_told(
    lies: Lies, store_and_sites: StoreAndSites, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    secret = tmp_path / "secret"
    secret.write_text("only for tests")
    table = provider_table(lies.issuer)
    table = table.replace('client_secret = "only for tests"', f'client_secret_file = "{secret}"')
    with served_by(store_and_sites, tmp_path, table) as served:
        secret.unlink()
        answer = served.browser().get("/sign-in/openid")
    assert answer.status_code == 503
    assert str(tmp_path) not in answer.text
    assert str(secret) in caplog.text


def test_user_information_of_somebody_else_is_refused(served: Served, lies: Lies) -> None:
    lies.described = {"userinfo_endpoint": f"{lies.issuer}/userinfo_endpoint"}
    lies.token = {"groups": None}
    lies.userinfo = {"sub": "somebody else", "groups": ["noc"]}
    assert come(served, lies).status_code == 403
    lies.nonce, lies.userinfo = "", {"sub": "mere", "groups": ["noc"], "iss": "https://other.example.net"}
    assert come(served, lies).status_code == 303  # what the ID token says goes before


def test_a_session_is_made_anew_by_the_provider_too(served: Served, lies: Lies) -> None:
    browser = served.browser()
    browser.cookies.set(COOKIE, "prepared", domain="127.0.0.1")
    answer = come(served, lies, browser)
    assert answer.cookies[COOKIE] != "prepared"


@pytest.mark.parametrize("to", ["//evil.example", "https://evil.example", "/\\evil.example"])
def test_nobody_is_sent_elsewhere_after_the_provider(served: Served, lies: Lies, to: str) -> None:
    browser = served.browser()
    asked = values_of(begin(browser, to))
    lies.nonce = asked["nonce"]
    answer = browser.get("/sign-in/openid/back", params={"code": "c", "state": asked["state"]})
    assert answer.headers["location"] == "/"


def test_the_page_to_sign_in_offers_the_provider(served: Served) -> None:
    text = served.browser().get("/sign-in?to=/sites/corner").text
    assert "Sign in by the provider of the tests" in text
    assert 'href="/sign-in/openid?to=%2Fsites%2Fcorner"' in text
    assert "password" not in text
