"""What a site is called in addresses of a desk's pages."""

from __future__ import annotations

import hashlib
import re
from typing import Final

_PLAIN: Final = re.compile(r"[a-z0-9][a-z0-9-]*(?:/[a-z0-9][a-z0-9-]*)*")
_OTHER: Final = re.compile(r"[^a-z0-9]+")
_DIGEST_DIGITS: Final = 8


def site_key(place: str) -> str:
    """A place as one piece of an address: letters, digits and dashes, "." between folders. What cannot be told from it is
    told by a digest at its end."""
    if _PLAIN.fullmatch(place):
        return place.replace("/", ".")
    plain = ".".join(_OTHER.sub("-", part.casefold()).strip("-") or "site" for part in place.split("/"))
    return f"{plain}-{hashlib.sha256(place.encode()).hexdigest()[:_DIGEST_DIGITS]}"
