"""Where a desk may listen, and what its command line helps with."""

from __future__ import annotations

import subprocess
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from flowdiag.cli.desk import command
from flowdiag.desk.access.passwords import is_right
from flowdiag.desk.access.tokens import digest
from flowdiag.desk.server import serve
from flowdiag.desk.settings import Settings, is_loopback, listening
from flowdiag.errors import FlowdiagError, UsageError
from tests.desk.access.desks import account
from tests.desk.conftest import StoreAndSites


@pytest.mark.parametrize(
    ("text", "host", "port"),
    [
        ("127.0.0.1:8080", "127.0.0.1", 8080),
        ("[::1]:8080", "::1", 8080),
        ("[2001:DB8::1]:443", "2001:db8::1", 443),
        ("localhost:0", "localhost", 0),
        ("desk.example.net:65535", "desk.example.net", 65535),
    ],
)
def test_a_place_to_listen_is_read(text: str, host: str, port: int) -> None:
    assert listening(text) == (host, port)


@pytest.mark.parametrize(
    "text",
    [
        "8080",
        ":8080",
        "127.0.0.1",
        "127.0.0.1:",
        "127.0.0.1:65536",
        "::1:8080",
        "[::zz]:80",
        "[::1]",
        "a:b:1",
        "x:-1",
        "",
    ],
)
def test_what_is_no_place_to_listen_is_said(text: str) -> None:
    with pytest.raises(UsageError, match="--listen"):
        listening(text)


def test_loopback_is_known_by_address_and_name() -> None:
    assert all(map(is_loopback, ("127.0.0.1", "127.8.8.8", "::1", "localhost")))
    assert not any(map(is_loopback, ("0.0.0.0", "::", "192.0.2.1", "localhost.example.net")))


SAFE = {"access": Path("a")}
TLS = {"certificate": Path("c"), "key": Path("k")}


@pytest.mark.parametrize(
    ("settings", "what"),
    [
        ({}, None),
        ({"host": "::1"}, None),
        ({"behind_proxy": True}, None),
        ({"host": "0.0.0.0"}, "--access FILE.toml"),
        ({"host": "desk.example.net"}, "--access FILE.toml"),
        ({"host": "0.0.0.0", **TLS}, "--access FILE.toml"),
        ({"host": "0.0.0.0", **SAFE}, "--certificate and --key"),
        ({"host": "0.0.0.0", "behind_proxy": True, **SAFE}, "proxy on this machine"),
        ({"host": "0.0.0.0", **SAFE, **TLS}, None),
        ({"certificate": Path("c")}, "belong together"),
        ({"key": Path("k")}, "belong together"),
    ],
)
def test_what_nobody_could_use_safely_is_refused(settings: dict[str, Any], what: str | None) -> None:
    made = Settings("store", Path("sites"), Path("state"), **settings)
    if what is None:
        made.check()
    else:
        with pytest.raises(UsageError, match=what):
            made.check()


def test_files_that_are_no_certificate_are_said_at_the_start(
    store_and_sites: StoreAndSites, tmp_path: Path
) -> None:
    file = tmp_path / "access.toml"
    file.write_text(account("mere"))
    for name in ("c.pem", "k.pem"):
        (tmp_path / name).write_text("no certificate")
    for certificate in ("c.pem", "missing.pem"):
        settings = Settings(
            str(store_and_sites.store), store_and_sites.sites, tmp_path / "state", access=file,
            certificate=tmp_path / certificate, key=tmp_path / "k.pem",
        )  # fmt: skip
        with pytest.raises(FlowdiagError, match="certificate and key cannot be used"):
            serve(settings)


def test_a_certificate_and_its_key_pass(store_and_sites: StoreAndSites, tmp_path: Path) -> None:
    """So far that the next mistake is said: a folder of sites that is none."""
    certificate, key = tmp_path / "c.pem", tmp_path / "k.pem"
    subprocess.run(
        ["openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-subj", "/CN=desk.example.net", "-days", "1",
         "-keyout", str(key), "-out", str(certificate)],
        check=True, capture_output=True,
    )  # fmt: skip
    settings = Settings(
        str(store_and_sites.store), tmp_path / "none", tmp_path / "state", certificate=certificate, key=key
    )
    with pytest.raises(FlowdiagError, match="no such folder"):
        serve(settings)


def test_a_password_is_asked_for_twice_and_its_line_printed() -> None:
    given = "short\nshort\na long way to the harbour\na long way to the harbour\n"
    result = CliRunner().invoke(command, ["--hash-password"], input=given)
    assert result.exit_code == 0
    assert "A password has 12 to 256 characters." in result.stderr
    hashed = result.stdout.strip().removeprefix('password = "').removesuffix('"')
    assert hashed.startswith("$argon2id$v=19$m=19456,t=2,p=1$")
    assert is_right(hashed, "a long way to the harbour")
    assert not is_right(hashed, "another way")
    assert "harbour" not in result.output


def test_a_token_is_printed_once_beside_its_line() -> None:
    result = CliRunner().invoke(command, ["--new-token"])
    assert result.exit_code == 0
    token = result.stderr.splitlines()[1]
    assert result.stdout == f'sha256 = "{digest(token)}"\n'
