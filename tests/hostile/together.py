"""`python -m tests.hostile.together MODULE OCTETS PART/PARTS COMMAND...`: several kinds in one process, which spares its
start: every PARTS-th of the module's from PART on, "0/1" for all of them.

Prints a line of JSON for each kind and command. What it measures is the same but for what the process holds anyway.
"""

from __future__ import annotations

import contextlib
import io
import json
import os
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

from flowdiag.cli.main import main as flowdiag
from tests.hostile.making import kinds, make
from tests.hostile.measuring import FLOWDIAG, commands_on_export, commands_on_profile


def measured(words: list[str]) -> dict[str, Any]:
    """Runs a command here: processor seconds, the most memory in MiB, exit code and the last line of its errors."""
    Path("/proc/self/clear_refs").write_text("5")  # the peak begins anew (proc(5))
    began = time.process_time()
    errors = io.StringIO()
    code: Any = 0
    with contextlib.redirect_stdout(io.StringIO()), contextlib.redirect_stderr(errors):
        try:
            flowdiag(words)
        except SystemExit as end:
            code = end.code or 0
    lines = errors.getvalue().splitlines()
    return {
        "processor_s": round(time.process_time() - began, 2),
        "mib": _peak_mib(),
        "code": code,
        "line": lines[-1] if lines else "",
    }


def _peak_mib() -> int:
    status = Path("/proc/self/status").read_text()
    return next(int(line.split()[1]) for line in status.splitlines() if line.startswith("VmHWM")) // 1024


def _made_apart(module: str, kind: str, octets: int, path: Path) -> None:
    """Makes a file in a process that ends with it: what making takes is not to count."""
    child = os.fork()
    if not child:
        path.write_bytes(make(module, kind, octets))
        os._exit(0)
    if os.waitpid(child, 0)[1]:
        raise SystemExit(f"{module}.{kind} could not be made")


def main() -> None:
    module, octets, share, *wanted = sys.argv[1:]
    part, parts = map(int, share.split("/"))
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch)
        small = folder / "small"
        small.write_bytes(make("messages", "identical_records", 10_000))
        for kind in kinds(module)[part::parts]:
            path = folder / kind
            _made_apart(module, kind, int(octets), path)
            commands = (
                commands_on_profile(path, small) if module == "profiles" else commands_on_export(path, folder)
            )
            for name, command in commands.items():
                if name in wanted:
                    told = measured(command[len(FLOWDIAG) :])
                    print(
                        json.dumps({"kind": kind, "octets": path.stat().st_size, "command": name} | told),
                        flush=True,
                    )
            path.unlink()


if __name__ == "__main__":
    main()
