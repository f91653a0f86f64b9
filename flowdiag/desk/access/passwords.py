"""Passwords of local accounts: kept as argon2id hashes, checked in threads, a few at a time.

Facts the design follows (OWASP Password Storage, from memory):
- argon2id with 19 MiB, two passes and one lane is the least that is thought good enough; it takes some tens of
  milliseconds, so what is checked at once has to be bounded;
- a name that is unknown has to take as long as one that is known.
"""

from __future__ import annotations

import asyncio
from functools import cache
from typing import Final

from argon2 import PasswordHasher, Type
from argon2.exceptions import InvalidHashError, VerificationError
from starlette.concurrency import run_in_threadpool

from flowdiag.errors import FlowdiagError

MEMORY_KIB: Final = 19 * 1024
PASSES: Final = 2
LANES: Final = 1
SHORTEST: Final = 12
LONGEST: Final = 256
AT_ONCE: Final = 2
MOST_WAITING: Final = 20

_HASHER: Final = PasswordHasher(time_cost=PASSES, memory_cost=MEMORY_KIB, parallelism=LANES, type=Type.ID)


class Busy(FlowdiagError):
    """So many passwords wait to be checked that nobody else's may."""


def hashed(password: str) -> str:
    return _HASHER.hash(password)


def is_right(known: str | None, given: str) -> bool:
    """Whether a password is that of a hash. known: None for a name that is not known, which takes as long."""
    try:
        return _HASHER.verify(known or _nobodys(), given) and known is not None
    except (VerificationError, InvalidHashError):
        return False


@cache
def _nobodys() -> str:
    return hashed("")


class Checker:
    """Checks passwords, AT_ONCE at a time. Used from one event loop."""

    def __init__(self) -> None:
        self._turns = asyncio.Semaphore(AT_ONCE)
        self._waiting = 0

    async def is_right(self, known: str | None, given: str) -> bool:
        """As the function. Raises Busy."""
        if self._waiting >= MOST_WAITING:
            raise Busy("many people sign in at this moment", advice="try again in some seconds")
        self._waiting += 1
        try:
            async with self._turns:
                return await run_in_threadpool(is_right, known, given)
        finally:
            self._waiting -= 1
