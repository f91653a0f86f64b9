"""How often somebody may do something: tables that forget whom they have not heard of for longest.

Facts the design follows:
- whoever asks from many addresses could fill any memory, so a table has a most; who is forgotten begins anew;
- an IPv6 network is given out as a /64 at least (RFC 6177), so that its addresses count as one;
- guessing is made slow and never impossible for the owner: a delay is for one account from one address, or for one
  address; an account as a whole is only slowed down where it has never been signed in.
"""

from __future__ import annotations

import time
from collections import OrderedDict
from collections.abc import Callable
from ipaddress import IPv6Address, ip_address, ip_network
from typing import Any, Final

from msgspec import Struct

MOST_REMEMBERED: Final = 10_000
_SIX_PREFIX: Final = 64


class _Bucket(Struct):
    left: float
    at: float


class Rate:
    """a_second: on average; burst: at once, after a pause."""

    def __init__(
        self,
        a_second: float,
        burst: float,
        *,
        most: int = MOST_REMEMBERED,
        now: Callable[[], float] = time.monotonic,
    ) -> None:
        self._a_second, self._burst, self._most, self._now = a_second, burst, most, now
        self._buckets: OrderedDict[str, _Bucket] = OrderedDict()

    def take(self, who: str) -> float:
        """Counts one; gives the seconds to wait if it was too many, else 0."""
        now = self._now()
        bucket = self._buckets.get(who)
        if bucket is None:
            bucket = self._buckets[who] = _Bucket(self._burst, now)
            _forget(self._buckets, self._most)
        self._buckets.move_to_end(who)
        bucket.left = min(self._burst, bucket.left + (now - bucket.at) * self._a_second)
        bucket.at = now
        if bucket.left < 1:
            return (1 - bucket.left) / self._a_second
        bucket.left -= 1
        return 0.0


class _Failures(Struct):
    number: int
    until: float
    at: float


class Delays:
    """After `free` failures each further one doubles the time in which nothing is tried. Seconds: first_s, longest_s; after
    forgotten_s without a failure all is forgotten."""

    def __init__(
        self, free: int, first_s: float, longest_s: float, forgotten_s: float,
        *, most: int = MOST_REMEMBERED, now: Callable[[], float] = time.monotonic,
    ) -> None:  # fmt: skip
        self._free, self._first_s, self._longest_s, self._forgotten_s = free, first_s, longest_s, forgotten_s
        self._most, self._now = most, now
        self._known: OrderedDict[str, _Failures] = OrderedDict()

    def wait(self, who: str) -> float:
        """Seconds until something may be tried again; 0 if at once."""
        known = self._known.get(who)
        return 0.0 if known is None else max(known.until - self._now(), 0.0)

    def failed(self, who: str) -> None:
        now = self._now()
        known = self._known.get(who)
        if known is None or now - known.at > self._forgotten_s:
            known = self._known[who] = _Failures(0, now, now)
        known.number, known.at = known.number + 1, now
        over = known.number - self._free
        if over > 0:
            known.until = now + min(self._first_s * 2.0 ** min(over - 1, 60), self._longest_s)
        self._known.move_to_end(who)
        _forget(self._known, self._most)

    def succeeded(self, who: str) -> None:
        self._known.pop(who, None)


def _forget(table: OrderedDict[str, Any], most: int) -> None:
    while len(table) > most:
        table.popitem(last=False)


def address_key(address: str) -> str:
    """What an address counts as: itself, or its network of IPv6."""
    try:
        found = ip_address(address.partition("%")[0])
    except ValueError:
        return address
    if isinstance(found, IPv6Address):
        if found.ipv4_mapped is not None:
            return str(found.ipv4_mapped)
        return str(ip_network((found, _SIX_PREFIX), strict=False))
    return str(found)
