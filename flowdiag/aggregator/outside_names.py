"""Who stands behind an outside address: local databases of networks, and the name service when asked for."""

from __future__ import annotations

import time
from collections.abc import Iterable, Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from msgspec import Struct

from flowdiag.addresses import to_text
from flowdiag.errors import FlowdiagError, UsageError

if TYPE_CHECKING:
    from dns.resolver import Resolver

RESOLVE_LIMIT_S: Final = 5.0  # for all look-ups together; a person waits for it
RESOLVE_EACH_S: Final = 2.0  # for one: a name server that is silent must not cost the others their turn
RESOLVE_AT_ONCE: Final = 16
MAX_NAME: Final = 255  # RFC 1035 2.3.4
MAX_DATABASES: Final = 8
# What databases in this format call the owner of a network (common practice).
OWNER_FIELDS: Final = ("autonomous_system_organization", "as_name", "organization")


class Network(Struct, frozen=True):
    """owner: who the addresses are registered to; country: ISO 3166 code. None where no database has one."""

    owner: str | None = None
    country: str | None = None


class NetworkDatabases:
    """Databases in MaxMind DB format, read from local files; owner and country often stand in two of them."""

    def __init__(self, paths: Sequence[Path]) -> None:
        """Raises UsageError without the package maxminddb, FlowdiagError for a file that is no such database."""
        if len(paths) > MAX_DATABASES:
            raise UsageError(f"{len(paths)} network databases are given", expected=f"at most {MAX_DATABASES}")
        try:
            import maxminddb
        except ImportError:
            raise UsageError(
                "--network-db needs the package maxminddb", advice='install it: pip install "flowdiag[geo]"'
            ) from None
        self._readers = []
        for path in paths:
            try:
                self._readers.append(maxminddb.open_database(path, maxminddb.MODE_MMAP))
            except (OSError, ValueError, maxminddb.InvalidDatabaseError) as error:
                raise FlowdiagError(
                    f"not a network database: {error}",
                    file=str(path),
                    expected="a file in MaxMind DB format (.mmdb)",
                ) from error

    def look_up(self, address: bytes) -> Network:
        """Owner and country of an address (16 octets), each from the first database that has it."""
        owner = country = None
        for reader in self._readers:
            found = _record(reader, to_text(address))
            owner = owner or next((text for name in OWNER_FIELDS if (text := _text(found.get(name)))), None)
            entry = found.get("country") or found.get("registered_country") or found.get("country_code")
            country = country or _text(entry.get("iso_code") if isinstance(entry, dict) else entry)
        return Network(owner, country)


def _record(reader: Any, address: str) -> dict[str, Any]:
    """What a database has on an address; nothing where the record is damaged, which must not cost the ranking."""
    try:
        found = reader.get(address)
    except Exception:  # the reader raises many kinds of errors
        return {}
    return found if isinstance(found, dict) else {}


def _text(value: object) -> str | None:
    return value[:MAX_NAME] if isinstance(value, str) and value else None


def resolve_names(
    addresses: Iterable[bytes], limit_s: float = RESOLVE_LIMIT_S, resolver: Resolver | None = None
) -> dict[bytes, str]:
    """Names of addresses (PTR, RFC 1035 3.5; RFC 3596 2.5); those that come within limit_s in all.

    resolver: whom to ask, the name servers of this machine for None; none are asked where it has none.
    """
    from dns.resolver import NoResolverConfiguration, Resolver

    deadline = time.monotonic() + limit_s
    try:
        asked = resolver or Resolver()
    except NoResolverConfiguration:
        return {}
    wanted = list(dict.fromkeys(addresses))
    with ThreadPoolExecutor(RESOLVE_AT_ONCE, thread_name_prefix="resolve") as pool:
        names = list(pool.map(lambda address: _name(asked, address, deadline), wanted))
    return {address: name for address, name in zip(wanted, names, strict=True) if name}


def _name(resolver: Resolver, address: bytes, deadline: float) -> str | None:
    """The name of one address, asked for until the deadline (time.monotonic) at most."""
    from dns.exception import DNSException

    left = min(deadline - time.monotonic(), RESOLVE_EACH_S)
    if left <= 0:
        return None
    try:
        answer = resolver.resolve_address(to_text(address), lifetime=left)
        name: str = answer[0].target.to_text(omit_final_dot=True)
    except (DNSException, OSError, IndexError):
        return None
    return name[:MAX_NAME]
