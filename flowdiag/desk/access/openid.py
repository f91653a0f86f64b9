"""Signing in by OpenID Connect: the provider says who somebody is, the access file what that means.

Facts the design follows:
- authorization code with PKCE (RFC 7636, S256), and a state, a nonce and a browser's cookie that belong together, used once:
  whoever steals or plants a code or an answer can do nothing with it;
- an answer names its issuer where the provider says that it does (RFC 9207), so that no other's is taken for it;
- the ID token is checked as OpenID Connect Core 3.1.3.7 asks: signature by a key of the provider, never by a shared secret
  and never none, issuer, audience, times, nonce;
- nothing of a provider's answer is an address that the browser or the desk is sent to, but what its own description says.
"""

from __future__ import annotations

import asyncio
import hmac
import logging
import secrets
import time
from collections import OrderedDict
from collections.abc import Mapping
from typing import Any, Final
from urllib.parse import urlsplit

from msgspec import Struct

from flowdiag.desk.access.access_file import LOOPBACK, OpenID
from flowdiag.errors import ConfigError, FlowdiagError

COOKIE: Final = "__Host-flowdiag-sign-in"
MOST_BEGUN: Final = 10_000
LONGEST_S: Final = 600.0  # from here to the provider and back, with whatever second factor
PROVIDER_S: Final = 10.0
LARGEST: Final = 1 << 20  # octets of a provider's answer
DESCRIBED_S: Final = 3600.0
KEYS_AGAIN_S: Final = 30.0  # a key that is not known yet is asked for no more often
LEEWAY_S: Final = 60  # clocks differ
ALGORITHMS: Final = ("RS256", "PS256", "ES256", "RS384", "PS384", "ES384", "RS512", "PS512", "ES512", "EdDSA")
_WELL_KNOWN: Final = "/.well-known/openid-configuration"
_OCTETS: Final = 32
_log: Final = logging.getLogger("flowdiag.desk")


class NotSignedIn(FlowdiagError):
    """The provider did not vouch for anybody, or cannot be asked."""


class Begun(Struct, frozen=True):
    """A sign-in that has begun. browser: its cookie; to: where the person wanted to go; at: when."""

    state: str
    nonce: str
    verifier: str
    browser: str
    to: str
    at: float


class Described(Struct):
    """What a provider says of itself. keys: its JSON Web Key Set."""

    issuer: str
    authorization: str
    token: str
    names_issuer: bool
    jwks_uri: str
    userinfo: str | None
    keys: Mapping[str, Any]
    at: float
    keys_at: float


class SignIns:
    """Those that have begun, and the provider's description. Used from one event loop."""

    def __init__(self) -> None:
        self._begun: OrderedDict[str, Begun] = OrderedDict()
        self._described: Described | None = None
        self._lock = asyncio.Lock()

    async def begin(self, openid: OpenID, back: str, to: str) -> tuple[str, str]:
        """The provider's address to go to, and what the browser's cookie shall be. back: the desk's own address that the
        provider sends the browser back to. Raises NotSignedIn."""
        provider = await self._provider(openid)
        state, nonce, verifier, browser = (secrets.token_urlsafe(_OCTETS) for _ in range(4))
        begun = Begun(state, nonce, verifier, browser, to, time.monotonic())
        self._begun[begun.state] = begun
        while len(self._begun) > MOST_BEGUN:
            self._begun.popitem(last=False)
        async with _client(openid, back) as client:
            address, _ = client.create_authorization_url(
                provider.authorization, state=begun.state, nonce=begun.nonce, code_verifier=begun.verifier
            )
        return address, begun.browser

    async def finish(
        self, openid: OpenID, back: str, browser: str | None, answer: Mapping[str, str]
    ) -> tuple[dict[str, Any], str]:
        """The claims of the ID token, and where the person wanted to go. answer: the values of the address that the provider sent
        the browser back to. Raises NotSignedIn."""
        begun = self._begun.pop(answer.get("state", ""), None)
        known = begun is not None and browser is not None and hmac.compare_digest(begun.browser, browser)
        if begun is None or not known or time.monotonic() - begun.at > LONGEST_S:
            raise NotSignedIn(
                "this sign-in did not begin in this browser, or took too long", advice="sign in again"
            )
        provider = await self._provider(openid)
        named = answer.get("iss")
        if (named is None and provider.names_issuer) or named not in (None, openid.issuer):
            raise NotSignedIn("the answer is not from the provider that was asked")
        if "error" in answer or "code" not in answer:
            raise NotSignedIn("the provider signed nobody in")
        return await self._claims(openid, provider, back, begun, answer["code"]), begun.to

    async def _claims(
        self, openid: OpenID, provider: Described, back: str, begun: Begun, code: str
    ) -> dict[str, Any]:
        from authlib.common.errors import AuthlibBaseError
        from httpx import HTTPError

        async with _client(openid, back) as client:
            try:
                token = await client.fetch_token(
                    provider.token, grant_type="authorization_code", code=code, code_verifier=begun.verifier
                )
            except (HTTPError, AuthlibBaseError, ValueError) as error:
                raise NotSignedIn(f"the provider gave no token: {type(error).__name__}") from None
            text = token.get("id_token")
            if not isinstance(text, str):
                raise NotSignedIn("the provider gave no ID token")
            claims = await self._checked(openid, provider, text, begun.nonce, token.get("access_token"))
            wanted = {"email", "email_verified", openid.roles_claim, openid.sites_claim} - {None}
            if provider.userinfo is None or wanted <= set(claims):
                return claims
            told = await _fetched(client, provider.userinfo, withhold_token=False)
        if told.get("sub") != claims["sub"]:  # OpenID Connect Core 5.3.2
            raise NotSignedIn("the provider tells of somebody else")
        return {**told, **claims}

    async def _checked(
        self, openid: OpenID, provider: Described, text: str, nonce: str, access_token: object
    ) -> dict[str, Any]:
        from authlib.oidc.core import CodeIDToken
        from joserfc.errors import JoseError

        options = {
            "iss": {"essential": True, "value": openid.issuer},
            "aud": {"essential": True, "value": openid.client_id},
        }
        params = {"nonce": nonce, "client_id": openid.client_id, "access_token": access_token}
        try:
            token = await self._decoded(openid, provider, text)
            claims = CodeIDToken(token.claims, token.header, options, params)
            claims.validate(leeway=LEEWAY_S)
        except (JoseError, ValueError, TypeError) as error:
            raise NotSignedIn(f"the ID token is not good: {type(error).__name__}") from None
        return dict(claims)

    async def _decoded(self, openid: OpenID, provider: Described, text: str) -> Any:
        """The token with its signature checked; keys are asked for again where none fits, since providers change them."""
        from joserfc import jwt
        from joserfc.errors import JoseError
        from joserfc.jwk import KeySet
        from joserfc.jws import JWSRegistry

        registry = JWSRegistry(algorithms=list(ALGORITHMS), strict_check_header=False)
        try:
            return jwt.decode(text, KeySet.import_key_set(dict(provider.keys)), registry=registry)  # type: ignore[arg-type]
        except (JoseError, ValueError):
            if time.monotonic() - provider.keys_at < KEYS_AGAIN_S:
                raise
        async with _client(openid, None) as client:
            provider.keys, provider.keys_at = await _fetched(client, provider.jwks_uri), time.monotonic()
        return jwt.decode(text, KeySet.import_key_set(dict(provider.keys)), registry=registry)  # type: ignore[arg-type]

    async def _provider(self, openid: OpenID) -> Described:
        async with self._lock:
            known = self._described
            if known is None or known.issuer != openid.issuer or time.monotonic() - known.at > DESCRIBED_S:
                known = self._described = await _described(openid)
            return known


async def _described(openid: OpenID) -> Described:
    """Raises NotSignedIn."""
    async with _client(openid, None) as client:
        found = await _fetched(client, openid.issuer.rstrip("/") + _WELL_KNOWN)
        if found.get("issuer") != openid.issuer:
            raise NotSignedIn("the provider's description is of another issuer", expected=openid.issuer)
        authorization, token, jwks_uri = (
            _address(found, name, openid) for name in ("authorization_endpoint", "token_endpoint", "jwks_uri")
        )
        keys = await _fetched(client, jwks_uri)
    userinfo = _address(found, "userinfo_endpoint", openid) if "userinfo_endpoint" in found else None
    names_issuer = found.get("authorization_response_iss_parameter_supported") is True
    now = time.monotonic()
    return Described(openid.issuer, authorization, token, names_issuer, jwks_uri, userinfo, keys, now, now)


def _address(found: Mapping[str, Any], name: str, openid: OpenID) -> str:
    """An address that the description has; by TLS, as the issuer's own, except on loopback."""
    address = found.get(name)
    parts = urlsplit(address if isinstance(address, str) else "")
    if parts.scheme != "https" and not (parts.scheme == "http" and parts.hostname in LOOPBACK):
        raise NotSignedIn(f"the provider's description has no usable {name}", expected="https://…")
    if openid.issuer.startswith("https:") and parts.scheme != "https":
        raise NotSignedIn(f"the provider's {name} is not by TLS")
    return str(address)


async def _fetched(client: Any, address: str, *, withhold_token: bool = True) -> dict[str, Any]:
    """A JSON object from the provider. Raises NotSignedIn."""
    from authlib.common.errors import AuthlibBaseError
    from httpx import HTTPError, InvalidURL

    try:
        answer = await client.request("GET", address, withhold_token=withhold_token)
        answer.raise_for_status()
        found = answer.json() if len(answer.content) <= LARGEST else None
    except (HTTPError, InvalidURL, AuthlibBaseError, ValueError) as error:
        raise NotSignedIn(
            f"the provider cannot be asked: {type(error).__name__}",
            advice="try again, or tell who runs this desk",
        ) from None
    if not isinstance(found, dict):
        raise NotSignedIn("the provider's answer cannot be understood")
    return found


def _client(openid: OpenID, back: str | None) -> Any:
    """Raises NotSignedIn."""
    from authlib.integrations.httpx_client import AsyncOAuth2Client

    try:
        secret = openid.secret
    except ConfigError as error:  # where it lies is nobody's business who has not signed in
        _log.error("nobody can sign in by OpenID Connect: %s", error)
        raise NotSignedIn("the desk cannot ask the provider", advice="tell who runs it") from None
    return AsyncOAuth2Client(
        client_id=openid.client_id,
        client_secret=secret,
        token_endpoint_auth_method="client_secret_basic" if secret is not None else "none",
        scope=" ".join(openid.scopes),
        redirect_uri=back,
        code_challenge_method="S256",
        leeway=0,  # an access token that lasts a minute is good for what is asked with it at once
        timeout=PROVIDER_S,
        follow_redirects=False,
    )
