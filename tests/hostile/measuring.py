"""What a command costs that reads a file: seconds, processor seconds and the most memory, of a process of its own."""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path
from typing import NamedTuple

MAX_MIB = 1024
MAX_SECONDS = 20
# Processor seconds after which it is plain that a command takes too long.
GIVEN_UP_SECONDS = 60

FLOWDIAG = (sys.executable, "-c", "from flowdiag.cli.main import main; main()")
PROFILE = """\
[site]
name = "Mill Road Practice"
lan = ["10.0.0.0/8"]

[[link]]
name = "fibre"
interfaces = [1]
down_mbps = 100
up_mbps = 40

[[link]]
name = "lte"
role = "backup"
interfaces = [3]
down_mbps = 30
up_mbps = 5
"""


class Cost(NamedTuple):
    """code: exit code, negative for a signal; line: the last that the command wrote to standard error."""

    seconds: float
    processor_s: float
    mib: int
    code: int
    line: str

    @property
    def within(self) -> bool:
        """Whether the bounds are kept. Where other programs share the processors, the time of its own counts."""
        return self.mib <= MAX_MIB and min(self.seconds, self.processor_s) <= MAX_SECONDS

    @property
    def clean(self) -> bool:
        """Whether it ended as commands do: with a result, or with lines that are no traceback."""
        return self.code in (0, 1, 2) and not any(
            sign in self.line for sign in ("Traceback", "fault of the program")
        )


def cost_of(command: Sequence[str]) -> Cost:
    """Runs a command to its end, or until it has used GIVEN_UP_SECONDS."""
    limited = ["sh", "-c", f'ulimit -t {GIVEN_UP_SECONDS}; exec "$@"', "sh", *command]
    with tempfile.TemporaryFile() as errors:
        began = time.monotonic()
        process = subprocess.Popen(limited, stdout=subprocess.DEVNULL, stderr=errors)
        _, status, usage = os.wait4(process.pid, 0)
        seconds = time.monotonic() - began
        process.returncode = os.waitstatus_to_exitcode(status)
        errors.seek(0)
        lines = errors.read(1 << 20).decode(errors="replace").strip().splitlines()
    return Cost(
        seconds,
        usage.ru_utime + usage.ru_stime,
        usage.ru_maxrss // 1024,
        process.returncode,
        lines[-1] if lines else "",
    )


def commands_on_export(export: Path, folder: Path) -> dict[str, list[str]]:
    """Each command that reads an export, by name; folder: for what they need and write."""
    site = folder / "site.toml"
    site.write_text(PROFILE)
    return {
        "inspect": [*FLOWDIAG, "inspect", str(export)],
        "diagnose": [*FLOWDIAG, "diagnose", str(export), "--site", str(site)],
        "usage": [*FLOWDIAG, "usage", str(export), "--site", str(site)],
        "top": [*FLOWDIAG, "top", "conversations", str(export)],
        "draft": [*FLOWDIAG, "draft", str(export)],
        "ingest": [*FLOWDIAG, "ingest", str(export), "--store", str(folder / f"store-{export.stem}")],
    }


def commands_on_profile(profile: Path, export: Path) -> dict[str, list[str]]:
    """Each command that reads a profile."""
    site = ["--site", str(profile)]
    return {
        "diagnose": [*FLOWDIAG, "diagnose", str(export), *site],
        "usage": [*FLOWDIAG, "usage", str(export), *site],
        "top": [*FLOWDIAG, "top", "talkers", str(export), *site],
    }
