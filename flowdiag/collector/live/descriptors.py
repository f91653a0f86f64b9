"""File descriptors: as many as the system lets a process have, and how many of them may be connections.

Facts the design follows:
- each process has a limit of its own, and a child inherits its parent's (Linux getrlimit(2)); a program may raise the
  soft limit up to the hard one. Service managers start programs with a soft limit of 1,024 (systemd.exec(5));
- whoever runs out of descriptors cannot open the next spool segment: connections leave them to what has to go on.
"""

from __future__ import annotations

import resource
import sys
from contextlib import suppress
from typing import Final

from flowdiag.errors import UsageError

# Above what any process needs beside sockets: terminal, pipes, selector, spool segments that wait for the disk, files of
# the store (store/writer.py keeps 32 open), imports, clients of the metrics.
SPARE: Final = 128
# Of the supervisor for each child: its pipe, its sentinel, and what it is started with.
_OF_CHILD: Final = 4
_SOCKETS: Final = 2  # UDP and TCP, of each address


def raise_limit() -> int:
    """Raises this process's limit to the hard one; what it starts has it too. Gives the limit that counts now."""
    _, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    with suppress(OSError, ValueError):  # a filter of system calls may forbid it
        resource.setrlimit(resource.RLIMIT_NOFILE, (hard, hard))
    return limit()


def limit() -> int:
    """How many descriptors this process may have."""
    soft, _ = resource.getrlimit(resource.RLIMIT_NOFILE)
    return sys.maxsize if soft == resource.RLIM_INFINITY else soft


def check(limit: int, *, workers: int, addresses: int) -> None:
    """Raises UsageError if a limit is too low for the sockets of so many workers and listening addresses."""
    supervisor = workers * (addresses * _SOCKETS + 2 * _OF_CHILD) + SPARE
    if limit < supervisor:
        raise UsageError(
            f"{limit} file descriptors are too few for {workers} workers at {addresses} places",
            expected=f"a limit of {supervisor}; raise it with ulimit -n, or LimitNOFILE in the unit",
        )


def for_connections(limit: int, *, addresses: int) -> int:
    """How many descriptors of a receiver with so many listening addresses are left for connections."""
    return max(0, limit - SPARE - addresses * _SOCKETS)
