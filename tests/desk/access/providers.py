"""Providers of OpenID Connect on loopback: two programs of others, and one of our own that lies."""

from __future__ import annotations

import json
import subprocess
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Final
from urllib.parse import parse_qs, urlsplit

import httpx
from joserfc import jwt
from joserfc.jwk import ECKey, KeySet, OctKey, RSAKey
from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from tests.desk.access.desks import listening
from tests.desk.conftest import BASE

BACK: Final = f"{BASE}/sign-in/openid/back"
SECRET: Final = "only for tests"
_FOLDER: Final = Path(__file__).parent / "provider"


def provider_table(issuer: str, more: str = "") -> str:
    """[openid] of an access file: engineers by their group, and one person by their identifier. more: keys of [openid]."""
    return f"""
[openid]
issuer = "{issuer}"
client_id = "desk"
client_secret = "{SECRET}"
title = "the provider of the tests"
roles_claim = "groups"
{more}
[openid.roles]
noc = ["engineer"]
[openid.sites]
noc = ["*"]
[[openid.person]]
subject = "hana"
roles = ["client"]
sites = ["kowhai-group/*"]
"""


@contextmanager
def node_provider(people: Mapping[str, Mapping[str, Any]]) -> Iterator[str]:
    """The issuer of npm's oidc-provider. people: claims of each subject."""
    if not (_FOLDER / "node_modules").is_dir():
        raise AssertionError(f"npm ci --prefix {_FOLDER} installs the provider; tests/run does")
    command = ["node", str(_FOLDER / "provider.mjs"), BACK, json.dumps(people)]
    with subprocess.Popen(
        command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True
    ) as process:
        assert process.stdout is not None
        try:
            yield process.stdout.readline().strip()
        finally:
            process.kill()


def sign_in_at_node(address: str, subject: str) -> str:
    """What somebody does in their browser from the provider's address on; gives where it sends them back to."""
    with httpx.Client(trust_env=False) as client:
        answer = client.get(address)
        for prompt in ("login", "consent"):
            while not (location := answer.headers["location"]).startswith(BACK):
                interaction = httpx.URL(address).join(location)
                answer = client.get(interaction)
                if answer.status_code == 200:
                    form = {"prompt": prompt, "login": subject, "password": "any"}
                    answer = client.post(interaction, data=form)
                    break
        while not (location := answer.headers["location"]).startswith(BACK):
            answer = client.get(httpx.URL(address).join(location))
    return str(location)


class Lies:
    """What the lying provider says, each of which a test changes. token: changes claims; key, header: that sign the ID token;
    described: changes its description; userinfo: what it tells there."""

    def __init__(self) -> None:
        self.issuer = ""
        self.key: Any = RSAKey.generate_key(2048, {"kid": "1"})
        self.signing: Any = self.key
        self.header: dict[str, Any] = {"alg": "RS256", "kid": "1"}
        self.token: dict[str, Any] = {}
        self.described: dict[str, Any] = {}
        self.userinfo: dict[str, Any] = {}
        self.nonce = ""
        self.verifiers: list[str] = []

    def claims(self) -> dict[str, Any]:
        now = int(time.time())
        usual = {
            "iss": self.issuer, "sub": "mere", "aud": "desk", "iat": now, "exp": now + 60, "nonce": self.nonce,
            "groups": ["noc"], "email": "mere@example.net", "email_verified": True,
        }  # fmt: skip
        return {name: value for name, value in {**usual, **self.token}.items() if value is not None}

    def id_token(self) -> str:
        if self.header["alg"] == "none":
            parts = (json.dumps(part).encode() for part in (self.header, self.claims()))
            return ".".join(map(_octets, parts)) + "."
        return jwt.encode(self.header, self.claims(), self.signing, algorithms=[self.header["alg"]])

    async def describe(self, request: Request) -> Response:
        of = {
            name: f"{self.issuer}/{name}" for name in ("authorization_endpoint", "token_endpoint", "jwks_uri")
        }
        return JSONResponse({"issuer": self.issuer, **of, **self.described})

    async def keys(self, request: Request) -> Response:
        return JSONResponse(KeySet([self.key]).as_dict(private=False))

    async def give(self, request: Request) -> Response:
        self.verifiers.append(str((await request.form())["code_verifier"]))
        return JSONResponse({"access_token": "a", "token_type": "Bearer", "id_token": self.id_token()})

    async def tell(self, request: Request) -> Response:
        return JSONResponse(self.userinfo)


def _octets(octets: bytes) -> str:
    from base64 import urlsafe_b64encode

    return urlsafe_b64encode(octets).rstrip(b"=").decode()


def other_key(kind: str) -> Any:
    """One that is not the provider's. kind: of the key."""
    if kind == "EC":
        return ECKey.generate_key("P-256", {"kid": "1"})
    return OctKey.import_key(SECRET) if kind == "oct" else RSAKey.generate_key(2048, {"kid": "1"})


@contextmanager
def lying_provider() -> Iterator[Lies]:
    lies = Lies()
    app = Starlette(
        routes=[
            Route("/.well-known/openid-configuration", lies.describe),
            Route("/jwks_uri", lies.keys),
            Route("/token_endpoint", lies.give, methods=["POST"]),
            Route("/userinfo_endpoint", lies.tell),
        ]
    )
    with listening(app) as port:
        lies.issuer = f"http://127.0.0.1:{port}"
        yield lies


def values_of(address: str) -> dict[str, str]:
    """Of an address's query."""
    return {name: values[0] for name, values in parse_qs(urlsplit(address).query).items()}
