"""Who is known to a desk: what the access file says now. It is read anew when it changes, and a faulty one changes nothing."""

from __future__ import annotations

import logging
import time
from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final

from msgspec import Struct

from flowdiag.desk.access.access_file import Account, OpenID, Rights, Token, read_access
from flowdiag.desk.access.tokens import digest
from flowdiag.desk.people import Person, Role
from flowdiag.errors import ConfigError
from flowdiag.site.settings_file import is_read_by_others

LOOKED_AT_EVERY_S: Final = 2.0
MOST_VALUES: Final = 1_000  # of a claim
_log: Final = logging.getLogger("flowdiag.desk")

# Gives a person as the file has them at that moment; None once it does not.
Again = Callable[[], Person | None]


class _Index(Struct, frozen=True):
    accounts: dict[str, Account]
    tokens: dict[str, Token]
    openid: OpenID | None


class Known:
    """Used from one event loop."""

    def __init__(self, path: Path, today: Callable[[], datetime] = lambda: datetime.now(UTC)) -> None:
        """Raises ConfigError."""
        self._path, self._today = path, today
        self._seen = _state(path)
        self._looked_at = time.monotonic()
        self._index = _index(path)

    @property
    def has_accounts(self) -> bool:
        return bool(self._now().accounts)

    @property
    def openid(self) -> OpenID | None:
        return self._now().openid

    def password_hash(self, name: str) -> str | None:
        """Of an account; None where there is none."""
        account = self._now().accounts.get(name)
        return None if account is None else account.password

    def account(self, name: str, password_hash: str) -> Person | None:
        """The person of an account as long as it has that password."""
        account = self._now().accounts.get(name)
        return None if account is None or account.password != password_hash else _person(name, account)

    def program(self, token: str) -> Person | None:
        """The program whose token that is; None for one that is unknown or has expired."""
        found = self._now().tokens.get(digest(token))
        if found is None or found.expires < self._today().astimezone(UTC).date():
            return None
        return _person(f"token:{found.name}", found)

    def vouched(self, claims: Mapping[str, Any]) -> Person | None:
        """The person whom the provider vouches for; None where nothing says what they may. What the file says of a person goes
        before claims."""
        openid = self._now().openid
        if openid is None or claims.get("iss") != openid.issuer:
            return None
        subject = str(claims.get("sub"))
        email = claims.get("email") if claims.get("email_verified") is True else None
        name = f"openid:{email or subject}"
        for listed in openid.person:
            same_mail = listed.email is not None and str(email).casefold() == listed.email.casefold()
            if listed.subject == subject or (email is not None and same_mail):
                return _person(name, listed)
        values = _values(claims, openid.roles_claim)
        roles: frozenset[Role] = frozenset().union(*(openid.roles.get(value, ()) for value in values))
        places = _values(claims, openid.sites_claim or openid.roles_claim)
        sites = tuple(dict.fromkeys(site for value in places for site in openid.sites.get(value, ())))
        whole = any(value in openid.whole_notes for value in values)
        return Person(name, roles, sites, whole) if roles else None

    def _now(self) -> _Index:
        if time.monotonic() - self._looked_at >= LOOKED_AT_EVERY_S:
            self._looked_at = time.monotonic()
            seen = _state(self._path)
            if seen != self._seen:
                self._seen = seen
                self._read()
        return self._index

    def _read(self) -> None:
        try:
            self._index = _index(self._path)
        except ConfigError as error:
            _log.error(
                "the access file has changed and cannot be used; what it said before still holds: %s", error
            )
        else:
            _log.warning("%s: the access file has changed and was read anew", self._path)


def _index(path: Path) -> _Index:
    file = read_access(path)
    if file.openid is not None:
        _ = file.openid.secret  # so that one that cannot be had is said now
    if is_read_by_others(path):
        _log.warning("%s: others may read it; take that away: chmod o= %s", path, path)
    return _Index(
        {account.name: account for account in file.account},
        {token.sha256: token for token in file.token},
        file.openid,
    )


def _state(path: Path) -> tuple[int, int, int] | None:
    """What changes with a file's content."""
    try:
        found = path.stat()
    except OSError:
        return None
    return found.st_ino, found.st_size, found.st_mtime_ns


def _person(name: str, rights: Rights) -> Person:
    return Person(name, rights.roles, rights.sites, rights.whole_notes)


def _values(claims: Mapping[str, Any], name: str | None) -> list[str]:
    """The values of a claim, which may be one text or a list of them."""
    value = claims.get(name) if name else None
    found = [value] if isinstance(value, str) else value if isinstance(value, list) else []
    return [one for one in found[:MOST_VALUES] if isinstance(one, str)]
