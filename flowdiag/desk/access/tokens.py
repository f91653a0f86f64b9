"""Tokens of programs: 256 random bits, of which the access file has the SHA-256 alone.

A digest without salt is enough for what nobody can guess (OWASP ASVS 5, from memory); comparing digests tells nothing of a
token, so that a dictionary finds it.
"""

from __future__ import annotations

import hashlib
import secrets
from typing import Final

PREFIX: Final = "flowdiag_"  # tells what it is where one is found
LONGEST: Final = 200
_OCTETS: Final = 32


def new_token() -> str:
    return PREFIX + secrets.token_urlsafe(_OCTETS)


def digest(token: str) -> str:
    """SHA-256 in hexadecimal digits."""
    return hashlib.sha256(token.encode()).hexdigest()
