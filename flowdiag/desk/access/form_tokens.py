"""A session's form token as pages show it: other octets each time, so that the length of a compressed page tells nothing of it.

Facts the design follows:
- pages are compressed, and hold what somebody typed beside the token; whoever could make a browser ask for many such pages and
  saw their lengths would learn the token octet by octet (the BREACH attack, 2013; from memory);
- a random pad of its length, and the token combined with it by exclusive or, has nothing in it that repeats.
"""

from __future__ import annotations

import hmac
import secrets
from base64 import urlsafe_b64decode, urlsafe_b64encode


def shown(token: str) -> str:
    """A token for one page."""
    octets = token.encode()
    pad = secrets.token_bytes(len(octets))
    return urlsafe_b64encode(pad + _combined(pad, octets)).decode()


def is_of(given: object, token: str) -> bool:
    """Whether something that a form sent was shown for this token."""
    if not isinstance(given, str) or not token or len(given) > 4 * len(token):
        return False
    try:
        octets = urlsafe_b64decode(given.encode("ascii"))
    except ValueError:
        return False
    half = len(octets) // 2
    return hmac.compare_digest(_combined(octets[:half], octets[half:]), token.encode())


def _combined(one: bytes, other: bytes) -> bytes:
    return bytes(a ^ b for a, b in zip(one, other, strict=False))
