"""Each mistake in an access file is one line that names the key, and no line repeats a secret."""

from __future__ import annotations

from pathlib import Path

import pytest

from flowdiag.desk.access.access_file import (
    Account,
    OpenID,
    OpenIDPerson,
    Token,
    read_access,
)
from flowdiag.errors import ConfigError
from flowdiag.site.settings_file import is_read_by_others
from tests.desk.access.desks import account, password_hash

PROVIDER = """
[openid]
issuer = "https://login.example.net/realm"
client_id = "desk"
roles_claim = "groups"
[openid.roles]
noc = ["engineer"]
"""
TOKEN = f"""
[[token]]
name = "ticket system"
sha256 = "{"0" * 64}"
roles = ["helpdesk"]
sites = ["*"]
expires = 2027-01-31
"""


def read(folder: Path, text: str) -> str:
    """The error of a file, without its name at the beginning of each line; empty for a file that is right."""
    file = folder / "access.toml"
    file.write_text(text, encoding="utf-8")
    try:
        read_access(file)
    except ConfigError as error:
        return str(error).replace(f"{file}: ", "")
    return ""


def test_a_file_with_accounts_tokens_and_a_provider_is_right(tmp_path: Path) -> None:
    more = account("hana", ["client"], ["kowhai-group/*", "corner"], "whole_notes = true")
    assert read(tmp_path, account("mere") + more + TOKEN + PROVIDER) == ""


@pytest.mark.parametrize(
    ("change", "line"),
    [
        (
            ("helpdesk", "helpdsk"),
            "account[1].roles[1]: is not allowed: input should be 'helpdesk', 'engineer', ",
        ),
        (("['helpdesk']", "[]"), "account[1].roles: is empty"),
        (("['*']", "['kowhai*']"), "account[1].sites: 'kowhai*' means no site: "),
        (("['*']", "['kowhai-group/harbour.toml']"), "without .toml"),
        (("['*']", "['../other']"), "account[1].sites: '../other' means no site"),
        (("$argon2id$", "$2b$12$"), "account[1].password: is no argon2id hash; "),
        (("m=19456,", ""), "account[1].password: is a damaged hash; "),
        (('"mere"', '"token:mere"'), "account[1].name: cannot be used: "),
        (("sites = ", "site = "), "account[1].site: unknown key"),
    ],
)
def test_a_mistake_of_an_account_is_named(tmp_path: Path, change: tuple[str, str], line: str) -> None:
    assert line in read(tmp_path, account("mere").replace(*change))


@pytest.mark.parametrize(
    ("change", "line"),
    [
        (("0" * 64, "0" * 63), "token[1].sha256: is no SHA-256 in 64 lower-case digits"),
        (("2027-01-31", '"soon"'), "token[1].expires: is not allowed"),
        (("expires = 2027-01-31", ""), "token[1].expires: is missing"),
    ],
)
def test_a_mistake_of_a_token_is_named(tmp_path: Path, change: tuple[str, str], line: str) -> None:
    assert line in read(tmp_path, account("mere") + TOKEN.replace(*change))


@pytest.mark.parametrize(
    ("change", "line"),
    [
        (("https:", "http:"), "openid.issuer: is no address of a provider"),
        (('roles_claim = "groups"', ""), "openid: lets nobody in"),
        (("[openid.roles]", "scopes = ['email']\n[openid.roles]"), 'openid: needs "openid" among its scopes'),
        (
            ("[openid.roles]", "client_secret = 'a'\nclient_secret_file = 'b'\n[openid.roles]"),
            "has more than one of",
        ),
        (
            ("noc =", "[[openid.person]]\nroles = ['client']\nsites = []\n[openid.other]\nnoc ="),
            "needs subject or email",
        ),
    ],
)
def test_a_mistake_of_a_provider_is_named(tmp_path: Path, change: tuple[str, str], line: str) -> None:
    assert line in read(tmp_path, PROVIDER.replace(*change))


def test_names_are_there_once_and_somebody_is_let_in(tmp_path: Path) -> None:
    assert "2 of [[account]] have the name 'mere'" in read(tmp_path, account("mere") * 2)
    assert "lets nobody in" in read(tmp_path, TOKEN)
    assert "is not TOML" in read(tmp_path, "[[account")


def test_no_error_repeats_a_secret(tmp_path: Path) -> None:
    text = account("mere").replace("$argon2id$", "hunter-two-") + TOKEN.replace(
        "0" * 64, "not-a-digest-of-mine"
    )
    said = read(tmp_path, text)
    assert said
    assert "hunter-two" not in said
    assert "not-a-digest" not in said


def test_very_many_mistakes_are_told_of_in_a_page(tmp_path: Path) -> None:
    said = read(tmp_path, account("mere").replace("argon2id", "x") * 100)
    assert len(said.splitlines()) == 21
    assert said.endswith("80 more mistakes")


def test_a_secret_comes_from_the_environment_or_a_file_of_its_own(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    file = tmp_path / "access.toml"
    secret = tmp_path / "secret"
    secret.write_text("from a file\n")
    for line in ('client_secret_variable = "DESK_SECRET"', f'client_secret_file = "{secret}"'):
        file.write_text(PROVIDER.replace("[openid.roles]", f"{line}\n[openid.roles]"))
        openid = read_access(file).openid
        assert openid is not None
        if "VARIABLE" in line.upper():
            with pytest.raises(ConfigError, match="DESK_SECRET is not set"):
                _ = openid.secret
            monkeypatch.setenv("DESK_SECRET", "from outside")
            assert openid.secret == "from outside"
        else:
            assert openid.secret == "from a file"


def test_a_file_that_others_may_read_is_noticed(tmp_path: Path) -> None:
    file = tmp_path / "access.toml"
    file.write_text(account("mere"))
    file.chmod(0o644)
    assert is_read_by_others(file)
    file.chmod(0o640)
    assert not is_read_by_others(file)


def test_the_file_in_the_documentation_is_right_and_every_key_is_explained(tmp_path: Path) -> None:
    page = (Path(__file__).parents[3] / "docs" / "reference" / "access.md").read_text(encoding="utf-8")
    example = page.partition("```toml\n")[2].partition("```")[0]
    assert read(tmp_path, example.replace("$argon2id$v=19$m=19456,t=2,p=1$…", password_hash())) == ""
    keys = {key for model in (Account, Token, OpenID, OpenIDPerson) for key in model.model_fields}
    assert [key for key in keys if key not in page.replace("`", "")] == []
