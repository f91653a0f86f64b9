"""Who stands behind an outside address: a local database of networks, and the name service when asked for."""

from __future__ import annotations

import socket
import time
from collections.abc import Iterable
from concurrent.futures import ThreadPoolExecutor, wait
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from flowdiag.aggregator.addresses import to_text
from flowdiag.errors import FlowdiagError, UsageError

RESOLVE_LIMIT_S: Final = 5.0  # for all look-ups together; a person waits for it
RESOLVE_AT_ONCE: Final = 16
MAX_NAME: Final = 255  # RFC 1035 2.3.4


@dataclass(frozen=True)
class Network:
    """owner: who the addresses are registered to; country: ISO 3166 code. None where the database has none."""

    owner: str | None = None
    country: str | None = None


class NetworkDatabase:
    """A database in MaxMind DB format, read from a local file."""

    def __init__(self, path: Path) -> None:
        """Raises UsageError without the package maxminddb, FlowdiagError for a file that is none."""
        try:
            import maxminddb
        except ImportError:
            raise UsageError(
                "--network-db needs the package maxminddb", advice='install it: pip install "flowdiag[geo]"'
            ) from None
        try:
            self._reader = maxminddb.open_database(path, maxminddb.MODE_MMAP)
        except (OSError, ValueError, maxminddb.InvalidDatabaseError) as error:
            raise FlowdiagError(
                f"not a network database: {error}",
                file=str(path),
                expected="a file in MaxMind DB format (.mmdb)",
            ) from error

    def look_up(self, address: bytes) -> Network:
        """Owner and country of an address (16 octets)."""
        try:
            found: Any = self._reader.get(to_text(address))
        except (
            Exception
        ):  # a damaged record must not cost the ranking; the reader raises many kinds of errors
            found = None
        if not isinstance(found, dict):
            return Network()
        owner = (
            found.get("autonomous_system_organization") or found.get("as_name") or found.get("organization")
        )
        country = found.get("country") or found.get("registered_country")
        if isinstance(country, dict):
            country = country.get("iso_code")
        return Network(_text(owner), _text(country))


def _text(value: object) -> str | None:
    return value[:MAX_NAME] if isinstance(value, str) and value else None


def resolve_names(addresses: Iterable[bytes], limit_s: float = RESOLVE_LIMIT_S) -> dict[bytes, str]:
    """Names of addresses by the system's resolver; those that come within limit_s in all."""
    wanted = list(dict.fromkeys(addresses))
    pool = ThreadPoolExecutor(RESOLVE_AT_ONCE, thread_name_prefix="resolve")
    deadline = time.monotonic() + limit_s
    try:
        asked = {address: pool.submit(_name, to_text(address)) for address in wanted}
        wait(asked.values(), timeout=max(deadline - time.monotonic(), 0.0))
        done = {address: future.result() for address, future in asked.items() if future.done()}
    finally:
        pool.shutdown(wait=False, cancel_futures=True)
    return {address: name for address, name in done.items() if name}


def _name(address: str) -> str | None:
    try:
        return socket.gethostbyaddr(address)[0][:MAX_NAME]
    except OSError:
        return None
