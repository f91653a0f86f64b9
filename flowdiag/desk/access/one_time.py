"""The sign-in link that a desk without an access file prints at its start: it works once."""

from __future__ import annotations

import hmac
import secrets
from typing import Final

from flowdiag.desk.people import EVERY_SITE, STAFF, Person

PATH: Final = "/sign-in/link"
_OCTETS: Final = 32
HOLDER: Final = Person("desk", STAFF, (EVERY_SITE,))


class OneTimeLink:
    """One at a time: a new one makes the old one worthless."""

    def __init__(self) -> None:
        self._secret: str | None = None

    def make(self) -> str:
        """Path and query of a link that signs its first user in."""
        self._secret = secrets.token_urlsafe(_OCTETS)
        return f"{PATH}?once={self._secret}"

    def redeem(self, given: str) -> Person | None:
        """Who the holder of the link is; None where it is wrong or was used."""
        if self._secret is None or not hmac.compare_digest(given.encode(), self._secret.encode()):
            return None
        self._secret = None
        return HOLDER
