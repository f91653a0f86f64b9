"""What the access file says counts at once, and a faulty new version changes nothing."""

from __future__ import annotations

import logging
import os
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from flowdiag.desk.access import known as known_module
from flowdiag.desk.access.known import Known
from flowdiag.desk.access.tokens import digest, new_token
from flowdiag.desk.people import Person
from tests.desk.access.desks import account, password_hash, served_by
from tests.desk.conftest import StoreAndSites

ISSUER = "https://login.example.net"
PROVIDER = f"""
[openid]
issuer = "{ISSUER}"
client_id = "desk"
roles_claim = "groups"
whole_notes = ["kowhai-managers"]
[openid.roles]
noc = ["engineer", "helpdesk"]
kowhai = ["client"]
kowhai-managers = ["client"]
[openid.sites]
noc = ["*"]
kowhai = ["kowhai-group/*"]
kowhai-managers = ["kowhai-group/*"]
[[openid.person]]
email = "Ana@example.net"
roles = ["accounts"]
sites = ["corner"]
[[openid.person]]
subject = "4711"
roles = ["helpdesk"]
sites = ["*"]
"""


@pytest.fixture(autouse=True)
def _looks_each_time(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(known_module, "LOOKED_AT_EVERY_S", 0.0)


def write(file: Path, text: str) -> None:
    """As people change a file that is in use: another one takes its place."""
    new = file.with_suffix(".new")
    new.write_text(text, encoding="utf-8")
    new.chmod(0o600)
    os.replace(new, file)


def test_a_changed_file_counts_and_a_faulty_one_does_not(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    file = tmp_path / "access.toml"
    write(file, account("mere"))
    known = Known(file)
    hashed = password_hash()
    assert known.account("mere", hashed) == Person("mere", frozenset({"helpdesk"}), ("*",))
    write(file, account("mere", ["client"], ["corner"]))
    assert known.account("mere", hashed) == Person("mere", frozenset({"client"}), ("corner",))
    with caplog.at_level(logging.ERROR):
        write(file, account("mere", ["king"]))
        assert known.account("mere", hashed) == Person("mere", frozenset({"client"}), ("corner",))
        file.unlink()
        assert known.account("mere", hashed) is not None
    assert "account[1].roles[1]" in caplog.text
    assert "cannot be read" in caplog.text
    write(file, account("hana"))
    assert known.account("mere", hashed) is None


def test_a_session_ends_with_its_account_and_with_its_password(
    tmp_path: Path, store_and_sites: StoreAndSites
) -> None:
    with served_by(store_and_sites, tmp_path, account("mere") + account("hana")) as served:
        mere, hana = served.signed_in("mere"), served.signed_in("hana")
        assert mere.get("/").status_code == hana.get("/").status_code == 200
        file = tmp_path / "access.toml"
        write(file, account("hana", ["client"], ["corner"]))
        assert mere.get("/").status_code == 303
        text = hana.get("/").text
        assert "Corner Bakery" in text
        assert "Kowhai" not in text
        write(file, account("hana").replace(password_hash()[-3:], "abc"))
        assert hana.get("/").status_code == 303


def test_a_token_is_good_until_its_day_has_ended(tmp_path: Path) -> None:
    token = new_token()
    file = tmp_path / "access.toml"
    write(
        file,
        account("mere") + f'[[token]]\nname = "tickets"\nsha256 = "{digest(token)}"\n'
        'roles = ["helpdesk"]\nsites = ["*"]\nexpires = 2026-03-05\n',
    )

    def at(text: str) -> Person | None:
        return Known(file, lambda: datetime.fromisoformat(text)).program(token)

    assert at("2026-03-05T23:59:59+00:00") == Person("token:tickets", frozenset({"helpdesk"}), ("*",))
    assert at("2026-03-06T12:59:59+13:00") is not None  # the same second
    assert at("2026-03-06T00:00:00+00:00") is None
    assert Known(file, lambda: datetime(2026, 3, 1, tzinfo=UTC)).program(token + "x") is None


@pytest.mark.parametrize(
    ("claims", "person"),
    [
        ({"groups": ["noc", "staff"]}, Person("openid:9", frozenset({"engineer", "helpdesk"}), ("*",))),
        ({"groups": "kowhai"}, Person("openid:9", frozenset({"client"}), ("kowhai-group/*",))),
        (
            {"groups": ["kowhai-managers"]},
            Person("openid:9", frozenset({"client"}), ("kowhai-group/*",), True),
        ),
        ({"groups": ["engineer", "*"]}, None),  # values mean what the file says, whatever they are called
        ({"groups": {"noc": 1}}, None),
        ({}, None),
        ({"groups": ["noc"], "iss": "https://other.example.net"}, None),
        (
            {"email": "ana@EXAMPLE.net", "email_verified": True, "groups": ["noc"]},
            Person("openid:ana@EXAMPLE.net", frozenset({"accounts"}), ("corner",)),
        ),
        ({"email": "ana@example.net"}, None),  # anybody may write that into their account
        ({"email": "ana@example.net", "email_verified": "true"}, None),
        ({"sub": "4711"}, Person("openid:4711", frozenset({"helpdesk"}), ("*",))),
    ],
)
def test_claims_mean_what_the_file_says(
    tmp_path: Path, claims: dict[str, Any], person: Person | None
) -> None:
    file = tmp_path / "access.toml"
    write(file, PROVIDER)
    assert Known(file).vouched({"iss": ISSUER, "sub": "9", **claims}) == person
