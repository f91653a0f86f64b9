"""`python -m tests.hostile [NAME...]`: what each file made to hurt costs each command; exits 1 where one costs too much.

Names are those of the modules (messages, captures, compressed, tables, profiles) or of single kinds. Each file is made
by a process of its own, since a program's peak of memory begins at that of the one that started it.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
from pathlib import Path

from tests.hostile.measuring import Cost, commands_on_export, commands_on_profile, cost_of

EXPORTS = ("messages", "captures", "compressed", "tables")
MODULES = (*EXPORTS, "profiles")


def made(module: str, kind: str, octets: int, path: Path) -> int:
    """Makes one file; gives its octets."""
    command = [sys.executable, "-m", "tests.hostile.making", module, kind, str(octets), str(path)]
    subprocess.run(command, check=True)
    return path.stat().st_size


def kinds_of(module: str) -> list[str]:
    command = [sys.executable, "-m", "tests.hostile.making", module]
    return subprocess.run(command, check=True, capture_output=True, text=True).stdout.split()


def main() -> None:
    parser = argparse.ArgumentParser(description="Measures files made to hurt.")
    parser.add_argument("names", nargs="*", help="modules or kinds (default: all)")
    parser.add_argument("--octets", type=int, default=19_000_000, help="of each file (default: 19 million)")
    parser.add_argument("--commands", nargs="*", help="only these commands")
    given = parser.parse_args()
    bad = 0
    print(f"{'kind':42} {'octets':>10} {'command':9} {'s':>6} {'cpu s':>6} {'MiB':>5} code  last line")
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch)
        for module in MODULES:
            for kind in kinds_of(module):
                if given.names and not {module, kind, f"{module}.{kind}"} & set(given.names):
                    continue
                path = folder / f"{module}-{kind}"
                octets = made(module, kind, given.octets, path)
                if module == "profiles":
                    made("messages", "identical_records", 10_000, folder / "small")
                    commands = commands_on_profile(path, folder / "small")
                else:
                    commands = commands_on_export(path, folder)
                for name, command in commands.items():
                    if given.commands and name not in given.commands:
                        continue
                    cost = cost_of(command)
                    bad += not (cost.within and cost.clean)
                    print(_row(f"{module}.{kind}", octets, name, cost), flush=True)
                path.unlink()
    print(f"{bad} beyond the bounds")
    sys.exit(bool(bad))


def _row(kind: str, octets: int, command: str, cost: Cost) -> str:
    mark = " " if cost.within and cost.clean else "!"
    return (
        f"{kind:42} {octets:10} {command:9} {cost.seconds:6.1f} {cost.processor_s:6.1f} {cost.mib:5} {cost.code:3} {mark} "
        f"{cost.line[:110]}"
    )


if __name__ == "__main__":
    main()
