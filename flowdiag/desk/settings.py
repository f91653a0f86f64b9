"""What a desk is given: where flows and profiles lie, where it listens, what it may cost."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Final

from msgspec import Struct

from flowdiag.site.config import SCHEME

DEFAULT_LISTEN: Final = "127.0.0.1:8080"
QUESTION_S: Final = 120.0  # longest that one question may take
QUESTION_OCTETS: Final = 2 << 30  # most memory of the process that answers it
LEAST_WORKERS: Final = 2  # so that a long question leaves one for short ones
LARGEST_UPLOAD: Final = 512 << 20


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

    @property
    def is_secure(self) -> bool:
        """Whether browsers reach it by TLS."""
        return self.certificate is not None or self.behind_proxy


def usual_state(store: str) -> Path:
    """Where a desk keeps what it keeps if nobody says: inside a store that is a folder, else in the user's own."""
    if SCHEME not in store:
        return Path(store) / "_flowdiag" / "desk"
    import platformdirs

    return platformdirs.user_state_path("flowdiag", appauthor=False) / "desk"
