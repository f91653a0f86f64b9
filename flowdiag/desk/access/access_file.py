"""The file that says who may use a desk, what programs may, and which provider of OpenID Connect vouches for people.

Its reference (docs/reference/access.md) follows these models; each mistake in a file becomes one line.
"""

from __future__ import annotations

import os
import re
from collections import Counter
from datetime import date
from pathlib import Path
from typing import Annotated, Final
from urllib.parse import urlsplit

from pydantic import BaseModel, ConfigDict, Field, field_validator, model_validator

from flowdiag.desk.people import BELOW, EVERY_SITE, Role
from flowdiag.errors import ConfigError
from flowdiag.site.settings_file import read_settings
from flowdiag.site.values import shown

MOST_ENTRIES: Final = 20_000
LONGEST_NAME: Final = 200
_ARGON2: Final = "$argon2id$"
_DIGEST: Final = re.compile(r"[0-9a-f]{64}")
LOOPBACK: Final = frozenset({"localhost", "127.0.0.1", "::1"})

Name = Annotated[str, Field(min_length=1, max_length=LONGEST_NAME)]
Names = Annotated[tuple[Name, ...], Field(max_length=MOST_ENTRIES)]


class _Table(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, strict=False)


class Rights(_Table):
    """What an entry of the file allows. sites: as in people.py; whole_notes: a client may read the engineer's part too."""

    roles: Annotated[frozenset[Role], Field(min_length=1)]
    sites: Names
    whole_notes: bool = False

    @field_validator("sites")
    @classmethod
    def _patterns(cls, sites: tuple[str, ...]) -> tuple[str, ...]:
        return _checked(sites)


class Account(Rights):
    """password: as `flowdiag desk --hash-password` prints it."""

    name: Name
    password: Annotated[str, Field(max_length=500)]

    @field_validator("name")
    @classmethod
    def _plain(cls, name: str) -> str:
        if ":" in name or not name.isprintable() or name != name.strip():
            raise ValueError("cannot be used: printable text without colon, without space around it")
        return name

    @field_validator("password")
    @classmethod
    def _hash(cls, password: str) -> str:
        if not password.startswith(_ARGON2):
            raise ValueError('is no argon2id hash; "flowdiag desk --hash-password" makes one')
        from argon2 import extract_parameters
        from argon2.exceptions import InvalidHashError

        try:
            extract_parameters(password)
        except InvalidHashError:
            raise ValueError('is a damaged hash; "flowdiag desk --hash-password" makes one') from None
        return password


class Token(Rights):
    """Of a program. sha256: of its token, in hexadecimal digits; expires: the last day (UTC) on which it is good."""

    name: Name
    sha256: str
    expires: date

    @field_validator("sha256")
    @classmethod
    def _digest(cls, digest: str) -> str:
        if not _DIGEST.fullmatch(digest):
            raise ValueError('is no SHA-256 in 64 lower-case digits; "flowdiag desk --new-token" makes one')
        return digest


class OpenIDPerson(Rights):
    """Somebody by the provider's identifier for them, or by an e-mail address that the provider has verified."""

    subject: Name | None = None
    email: Name | None = None

    @model_validator(mode="after")
    def _one(self) -> OpenIDPerson:
        if (self.subject is None) == (self.email is None):
            raise ValueError("needs subject or email, one of them")
        return self


class OpenID(_Table):
    """A provider. roles, sites: what the values of claims mean; person: those whom the file itself knows."""

    issuer: Name
    client_id: Name
    client_secret: Name | None = None
    client_secret_file: Path | None = None
    client_secret_variable: Name | None = None
    title: Name = "OpenID Connect"
    scopes: Names = ("openid", "email", "profile")
    roles_claim: Name | None = None
    sites_claim: Name | None = None
    roles: dict[Name, frozenset[Role]] = Field(default_factory=dict, max_length=MOST_ENTRIES)
    sites: dict[Name, Names] = Field(default_factory=dict, max_length=MOST_ENTRIES)
    whole_notes: Names = ()
    person: Annotated[tuple[OpenIDPerson, ...], Field(max_length=MOST_ENTRIES)] = ()

    @field_validator("issuer")
    @classmethod
    def _address(cls, issuer: str) -> str:
        parts = urlsplit(issuer)
        safe = parts.scheme == "https" or (parts.scheme == "http" and parts.hostname in LOOPBACK)
        if not safe or not parts.hostname or parts.query or parts.fragment:
            raise ValueError("is no address of a provider: https://…, without query")
        return issuer

    @field_validator("sites")
    @classmethod
    def _patterns(cls, sites: dict[str, tuple[str, ...]]) -> dict[str, tuple[str, ...]]:
        return {value: _checked(patterns) for value, patterns in sites.items()}

    @model_validator(mode="after")
    def _whole(self) -> OpenID:
        given = (self.client_secret, self.client_secret_file, self.client_secret_variable)
        if sum(value is not None for value in given) > 1:
            raise ValueError("has more than one of client_secret, client_secret_file, client_secret_variable")
        if "openid" not in self.scopes:
            raise ValueError('needs "openid" among its scopes')
        if not self.person and not (self.roles_claim and self.roles):
            raise ValueError("lets nobody in: needs roles_claim and [openid.roles], or an [[openid.person]]")
        return self

    @property
    def secret(self) -> str | None:
        """What the provider knows the desk by; None for a client without. Raises ConfigError where it cannot be had."""
        if self.client_secret_variable is not None:
            found = os.environ.get(self.client_secret_variable)
            if not found:
                raise ConfigError(f"openid.client_secret_variable: {self.client_secret_variable} is not set")
            return found
        if self.client_secret_file is not None:
            try:
                return self.client_secret_file.read_text(encoding="utf-8").strip()
            except (OSError, ValueError) as error:
                raise ConfigError(
                    f"openid.client_secret_file cannot be read: {error}", file=str(self.client_secret_file)
                ) from None
        return self.client_secret


class AccessFile(_Table):
    """Everything in the file."""

    account: Annotated[tuple[Account, ...], Field(max_length=MOST_ENTRIES)] = ()
    token: Annotated[tuple[Token, ...], Field(max_length=MOST_ENTRIES)] = ()
    openid: OpenID | None = None

    @model_validator(mode="after")
    def _whole(self) -> AccessFile:
        for kind, entries in (("account", self.account), ("token", self.token)):
            name, times = Counter(entry.name for entry in entries).most_common(1)[0] if entries else ("", 1)
            if times > 1:
                raise ValueError(f"{times} of [[{kind}]] have the name {shown(name)}")
        if not self.account and self.openid is None:
            raise ValueError("lets nobody in: needs an [[account]] or [openid]")
        return self


def read_access(path: Path) -> AccessFile:
    """What a file allows. Raises ConfigError; with several mistakes its text has one line for each."""
    return read_settings(path, AccessFile, "an access file")


def _checked(patterns: tuple[str, ...]) -> tuple[str, ...]:
    """Raises ValueError for what no site can be meant by."""
    for pattern in patterns:
        rest = pattern.removesuffix(BELOW)
        plain = pattern == EVERY_SITE or (
            "*" not in rest and rest == rest.strip("/") and rest and ".." not in rest.split("/")
        )
        if not plain:
            raise ValueError(
                f'{shown(pattern)} means no site: "*", a folder such as "kowhai-group/*", or a profile\'s '
                'place such as "kowhai-group/harbour"'
            )
        if rest.endswith(".toml"):
            raise ValueError(f"{shown(pattern)} means no site: a profile's place is without .toml")
    return patterns
