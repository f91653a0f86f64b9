"""Who a watcher is, and what can be known of another one: that it is dead, or nothing.

Facts the design follows:
- a process of this machine is gone if its number is, or if that number is of a process that began at another time (field 22 of
  /proc/PID/stat, clock ticks since the boot), or if it only waits for its parent (state Z); one that is stopped (state T) lives;
- numbers of processes mean something within one boot and one PID namespace, so a place is named by these and the host;
- /proc may hide the processes of others, so that a number without an entry there is asked of the kernel.
"""

from __future__ import annotations

import hashlib
import os
import re
import secrets
import socket
from pathlib import Path
from typing import Final

_PROC: Final = Path("/proc")
_NO_PLACE: Final = "0"
_GONE: Final = ("Z", "X")


def own_name() -> str:
    """A name for a watcher in this process that no other ever has: HOST-PLACE-PID-BEGIN-RANDOM."""
    host = re.sub(r"[^A-Za-z0-9.]+", ".", socket.gethostname())[:40] or "host"
    _, began = _state_and_begin(os.getpid()) or ("", _NO_PLACE)
    return "-".join((host, _place(), str(os.getpid()), began, secrets.token_hex(4)))


def is_dead(name: str) -> bool:
    """Whether it is certain at once that a watcher of that name is gone; False also where there is no telling."""
    parts = name.split("-")
    if len(parts) != 5 or parts[1] in (_NO_PLACE, "") or parts[1] != _place() or not parts[2].isdecimal():
        return False
    number = int(parts[2])
    try:
        os.kill(number, 0)
    except ProcessLookupError:
        return True
    except (PermissionError, OverflowError):
        pass
    found = _state_and_begin(number)
    return found is not None and (found[0] in _GONE or found[1] != parts[3])


def _place() -> str:
    """What names this host's boot and PID namespace; "0" where that cannot be known."""
    try:
        boot = (_PROC / "sys/kernel/random/boot_id").read_text()
        namespace = os.readlink(_PROC / "self/ns/pid")
    except OSError:
        return _NO_PLACE
    return hashlib.sha256(f"{boot}\n{namespace}\n{socket.gethostname()}".encode()).hexdigest()[:12]


def _state_and_begin(number: int) -> tuple[str, str] | None:
    """State of a process and when it began; None where that cannot be read."""
    try:
        text = (_PROC / str(number) / "stat").read_text(errors="replace")
    except OSError:
        return None
    fields = text.rpartition(")")[2].split()  # what stands in brackets before is anything
    return (fields[0], fields[19]) if len(fields) > 19 else None
