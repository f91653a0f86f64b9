"""Who has signed in: sessions that live in the desk's memory, so that a restart ends them.

Facts the design follows (OWASP ASVS 5, chapter 7):
- a session's key is 256 random bits, made anew at each sign-in, so that nobody can fix one beforehand;
- it ends after a time without use, and after a working day in any case.
"""

from __future__ import annotations

import secrets
import time
from collections.abc import Callable
from typing import Final

from msgspec import Struct

from flowdiag.desk.people import Person

COOKIE: Final = "__Host-flowdiag"
IDLE_S: Final = 3 * 3600.0
LONGEST_S: Final = 12 * 3600.0
MOST: Final = 10_000
_OCTETS: Final = 32


class Session(Struct):
    """key: what the browser's cookie holds; form_token: what forms of this session send back; again: gives the person as they
    are known now, None once they are not."""

    key: str
    form_token: str
    person: Person
    begun: float
    used: float
    again: Callable[[], Person | None] | None = None


class Sessions:
    """Used from one event loop."""

    def __init__(self) -> None:
        self._sessions: dict[str, Session] = {}

    def begin(self, person: Person, again: Callable[[], Person | None] | None = None) -> Session:
        now = time.monotonic()
        self._drop_old(now)
        while len(self._sessions) >= MOST:
            self._sessions.pop(min(self._sessions.values(), key=lambda one: one.used).key)
        session = Session(
            secrets.token_urlsafe(_OCTETS), secrets.token_urlsafe(_OCTETS), person, now, now, again
        )
        self._sessions[session.key] = session
        return session

    def get(self, key: str | None) -> Session | None:
        session = self._sessions.get(key or "")
        if session is None:
            return None
        now = time.monotonic()
        person = session.person if session.again is None else session.again()
        if person is None or _is_over(session, now):
            self.end(session.key)
            return None
        session.person, session.used = person, now
        return session

    def end(self, key: str) -> None:
        self._sessions.pop(key, None)

    def _drop_old(self, now: float) -> None:
        self._sessions = {key: one for key, one in self._sessions.items() if not _is_over(one, now)}


def _is_over(session: Session, now: float) -> bool:
    return now - session.used > IDLE_S or now - session.begun > LONGEST_S
