"""What a desk is given: where flows and profiles lie, where it listens, what it may cost."""

from __future__ import annotations

import os
import re
from ipaddress import IPv6Address, ip_address
from pathlib import Path
from typing import Final

from msgspec import Struct

from flowdiag.errors import UsageError
from flowdiag.site.config import SCHEME

DEFAULT_LISTEN: Final = "127.0.0.1:8080"
QUESTION_S: Final = 120.0  # longest that one question may take
QUESTION_OCTETS: Final = 2 << 30  # most memory of the process that answers it
LEAST_WORKERS: Final = 2  # so that a long question leaves one for short ones
LARGEST_UPLOAD: Final = 512 << 20
LOCALHOST: Final = "localhost"
_LISTEN: Final = re.compile(r"(?:\[(?P<six>[^\]]+)\]|(?P<host>[^:\[\]]+)):(?P<port>\d{1,5})")


class Settings(Struct, frozen=True):
    """store: a folder or an address; sites: the folder of profiles; state: the folder of what the desk keeps (notes, audit
    log); host, port: where it listens; hosts: names by which it may be asked for; access: the file that says who may; jobs:
    processes that answer questions; behind_proxy: TLS ends before it, and the proxy tells the address of who asks.
    """

    store: str
    sites: Path
    state: Path
    host: str = "127.0.0.1"
    port: int = 8080
    hosts: tuple[str, ...] = ()
    access: Path | None = None
    certificate: Path | None = None
    key: Path | None = None
    behind_proxy: bool = False
    jobs: int = max(LEAST_WORKERS, os.cpu_count() or 1)
    question_s: float = QUESTION_S
    question_octets: int = QUESTION_OCTETS
    largest_upload: int = LARGEST_UPLOAD

    def check(self) -> None:
        """Raises UsageError for what nobody could use safely."""
        if (self.certificate is None) != (self.key is None):
            raise UsageError("--certificate and --key belong together", advice="give both, or none")
        if is_loopback(self.host):
            return
        if self.access is None:
            raise UsageError(
                f"{self.host!r} can be reached from elsewhere, and nothing says who may use this desk",
                expected="--access FILE.toml, or --listen on loopback such as 127.0.0.1:8080",
            )
        if self.behind_proxy:
            raise UsageError(
                f"--behind-proxy is for a proxy on this machine, and {self.host!r} can be reached from elsewhere",
                expected="--listen on loopback such as 127.0.0.1:8080",
            )
        if self.certificate is None:
            raise UsageError(
                f"{self.host!r} can be reached from elsewhere, where browsers sign in by TLS alone",
                expected="--certificate and --key, or --listen on loopback with --behind-proxy",
            )

    @property
    def is_secure(self) -> bool:
        """Whether browsers reach it by TLS."""
        return self.certificate is not None or self.behind_proxy


def listening(text: str) -> tuple[str, int]:
    """Host and port of HOST:PORT or [IPv6]:PORT; port 0 is any that is free. Raises UsageError."""
    match = _LISTEN.fullmatch(text.strip())
    if match is None or int(match["port"]) > 65_535:
        raise UsageError(
            f"--listen {text[:60]!r} is no place to listen at",
            expected="HOST:PORT such as 127.0.0.1:8080 or [::1]:8080",
        )
    if match["six"] is None:
        return match["host"], int(match["port"])
    try:
        return str(IPv6Address(match["six"])), int(match["port"])
    except ValueError:
        raise UsageError(f"--listen {text[:60]!r}: {match['six'][:60]!r} is no IPv6 address") from None


def is_loopback(host: str) -> bool:
    try:
        return ip_address(host).is_loopback
    except ValueError:
        return host.lower() == LOCALHOST


def usual_state(store: str) -> Path:
    """Where a desk keeps what it keeps if nobody says: inside a store that is a folder, else in the user's own."""
    if SCHEME not in store:
        return Path(store) / "_flowdiag" / "desk"
    import platformdirs

    return platformdirs.user_state_path("flowdiag", appauthor=False) / "desk"
